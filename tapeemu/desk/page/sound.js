const MOST_SECONDS = 900;
const BUFFER_SECONDS = 0.06; // "balanced" is 10 ms here, which a busy machine misses now and then; more is felt at a slider

// How a stem is heard: level in dB and as a gain, place from -1 (left) to 1.
const freshMix = () => ({ level: 0, gain: 1, pan: 0, silent: false, alone: false });

// Stems, the audio context, and the way of a chain from here to the player.

const decodedStem = async (stem, index) => {
  let bytes;
  if (stem.content !== undefined) {
    bytes = bytesOf(stem.content);
  } else {
    const answer = await fetch(`/stem?number=${index}`, { headers: { "X-Desk-Key": data.server.key } });
    if (!answer.ok) throw new Error(`${stem.name} could not be fetched; start the desk again`);
    bytes = new Uint8Array(await answer.arrayBuffer());
  }
  // As the engine, this counts on the order of bytes that all browsers' machines have.
  return Array.from({ length: stem.channels }, (_, channel) => {
    const { frames } = stem;
    const first = channel * frames;
    if (stem.coding === "f32") return new Float32Array(bytes.buffer, 4 * first, frames).slice();
    const samples = new Float32Array(frames);
    if (stem.coding === "s16") {
      const whole = new Int16Array(bytes.buffer, 2 * first, frames);
      for (let i = 0; i < frames; i += 1) samples[i] = whole[i] / 32768;
      return samples;
    }
    for (let i = 0, place = 3 * first; i < frames; i += 1, place += 3) {
      samples[i] = ((bytes[place] << 8) | (bytes[place + 1] << 16) | (bytes[place + 2] << 24)) / 2147483648;
    }
    return samples;
  });
};

// What must be moved in a chain of one setup to be one of another; null where that takes a new chain.
const movesBetween = (one, other) => {
  const same = (these, those) => these.length === those.length && these.every((value, index) => value === those[index]);
  if (one.stages.length !== other.stages.length || one.groups.length !== other.groups.length) return null;
  const changes = [];
  for (const [place, before] of one.stages.entries()) {
    const after = other.stages[place];
    if (before.kind !== after.kind || before.numbers.length !== after.numbers.length || !same(before.still, after.still)) return null;
    if (hearsItsTrack(before) !== hearsItsTrack(after)) return null;
    const { settings } = data.engine[before.kind];
    const followed = (setup, setting) => (setup.curves ?? []).some((curve) => curve.stage === place && curve.setting === setting);
    for (const [setting, value] of after.numbers.entries()) {
      // What followed a curve stands anywhere; what will follow one is set by it.
      if (followed(other, setting) || (value === before.numbers[setting] && !followed(one, setting))) continue;
      if (!settings[setting]?.moves) return null;
      changes.push({ kind: "setting", place, setting, value });
    }
  }
  for (const [place, [first, behind, share]] of one.groups.entries()) {
    const [otherFirst, otherBehind, wanted] = other.groups[place];
    if (first !== otherFirst || behind !== otherBehind) return null;
    if ((other.curves ?? []).some((curve) => curve.group === place)) continue;
    if (share !== wanted || (one.curves ?? []).some((curve) => curve.group === place)) changes.push({ kind: "share", place, value: wanted });
  }
  return changes;
};

class Sound {
  constructor() {
    this.context = null;
    this.node = null;
    this.stems = [];
    this.playing = false;
    this.place = 0;
    this.placeTime = 0;
    this.dry = false;
    this.match = 1;
    this.mix = data.stems.map(freshMix);
    this.loop = null;
    this.setup = null; // what shall sound
    this.taken = null; // the setup of the chain that plays, settings that were moved in it included
    this.waiting = false; // a chain is on its way to the player
    this.busySlots = new Map(); // what lies in the player's memory, by address
    this.number = 0;
    this.onMeters = () => {};
    this.volumeDb = -20;
  }

  async load() {
    [this.module, this.exactModule] = await Promise.all(["engine", "engine64"].map((name) => WebAssembly.compile(bytesOf(data.wasm[name]))));
    this.engine = new Engine(this.module, true);
    this.stems = await Promise.all(data.stems.map(decodedStem));
    for (const stem of data.stems) delete stem.content; // samples are all that is needed of it
    this.seconds = Math.max(...this.stems.map((stem) => stem[0].length)) / data.rate;
    this.loop = [0, this.seconds];
  }

  // A file of sound as a stem at the page's rate; a file at another rate is converted by the browser.
  async decoded(file) {
    const raw = await file.arrayBuffer();
    let made;
    try {
      made = await new OfflineAudioContext(1, 1, data.rate).decodeAudioData(raw);
    } catch {
      throw new Error(`${file.name} is no sound that this browser can read; WAV and FLAC always work`);
    }
    if (made.numberOfChannels > 2) throw new Error(`${file.name} has ${made.numberOfChannels} channels, but the desk plays one or two; mix it down first`);
    if (!made.length) throw new Error(`${file.name} holds no sound; choose another file`);
    if (made.length > MOST_SECONDS * data.rate) throw new Error(`${file.name} lasts ${Math.round(made.duration)} s, but the desk holds ${MOST_SECONDS} s; cut out a part`);
    return Array.from({ length: made.numberOfChannels }, (_, channel) => made.getChannelData(channel).slice());
  }

  // Other stems, the mix of each, and the part that repeats: the player is made anew.
  async setStems(stems, mix, loop = null) {
    const wasOpen = Boolean(this.node);
    const { playing, place } = this;
    this.pause();
    this.node?.port.close();
    this.node?.disconnect();
    this.volume?.disconnect();
    Object.assign(this, { stems, mix });
    this.seconds = Math.max(...this.stems.map((stem) => stem[0].length)) / data.rate;
    this.loop = loop ?? [0, this.seconds];
    this.place = Math.min(place, this.seconds);
    this.busySlots.clear();
    Object.assign(this, { node: null, taken: null, waiting: false, wanted: null });
    if (!wasOpen) return;
    await this.open(this.context);
    this.go(this.place);
    if (playing) await this.play();
  }

  // An engine that gives the bits of Python, with a memory of its own.
  exactEngine() {
    return new Engine(this.exactModule, false);
  }

  // Open the player in a context; the device's own if none is given.
  async open(context = null) {
    if (this.node) return;
    this.context = context ?? new AudioContext({ sampleRate: data.rate, latencyHint: BUFFER_SECONDS });
    if (this.context.sampleRate !== data.rate) throw new Error(`this device does not play ${data.rate} Hz; convert the stems`);
    if (!this.loaded) await this.context.audioWorklet.addModule(`data:text/javascript;charset=utf-8,${encodeURIComponent(data.worklet)}`);
    this.loaded = true;
    const { pointers, audio, lives, first } = this.engine;
    this.node = new AudioWorkletNode(this.context, "desk", {
      numberOfInputs: 0,
      numberOfOutputs: 3,
      outputChannelCount: [2, 2, 2],
      processorOptions: { module: this.module, layout: { pointers, audio, lives, first }, stems: this.stems },
    });
    this.node.port.onmessage = (event) => this.hear(event.data);
    this.volume = this.context.createGain();
    this.volume.gain.value = gainOf(this.volumeDb);
    this.node.connect(this.volume, 0).connect(this.context.destination);
    this.scopes = [1, 2].map((output) => {
      const analyser = this.context.createAnalyser();
      analyser.fftSize = 4096;
      analyser.smoothingTimeConstant = 0.85;
      this.node.connect(analyser, output);
      return analyser;
    });
    this.node.onprocessorerror = () => {
      this.failed?.("the player stopped by a fault of its own; reload the page");
    };
    this.send({ type: "loop", loop: this.loop });
    this.sendMix();
    if (this.setup) this.take(this.setup);
  }

  send(message, transfer = []) {
    this.node?.port.postMessage(message, transfer);
  }

  hear(message) {
    if (message.type === "meters") {
      this.place = message.place;
      this.placeTime = performance.now();
      this.onMeters(message);
    } else if (message.type === "gone") {
      this.busySlots.delete(message.address);
    } else if (message.type === "refused") {
      this.taken = null;
      this.take(this.setup);
    } else if (message.type === "settled") {
      this.waiting = false;
      if (this.wanted) this.take(this.wanted);
    }
  }

  // A place in memory where a chain of so many bytes fits beside those that are there.
  slot(bytes) {
    const taken = [...this.busySlots.values()].sort((one, other) => one.from - other.from);
    let from = this.engine.first;
    for (const each of taken) {
      if (from + bytes <= each.from) break;
      from = Math.max(from, each.to);
    }
    return { from, to: (from + bytes + 63) & ~63 };
  }

  // Let a setup be heard. Settings that move are moved in the chain that plays; else a new one takes its place, and
  // while one change is under way the newest of those that follow waits.
  take(wanted) {
    this.setup = wanted;
    if (!this.node) return;
    // The player keeps time with the song: a constant speed error is left to rendered files.
    const setup = wanted.atSpeed ?? wanted;
    if (this.waiting) {
      this.wanted = wanted;
      return;
    }
    this.wanted = null;
    const changes = this.taken && movesBetween(this.taken, setup);
    if (changes) {
      this.taken = setup;
      this.send({ type: "set", setup: this.number, changes, curves: this.curvesOf(setup) });
      return;
    }
    this.number += 1;
    const chains = this.chainsOf(setup); // which is refused where the engine cannot make it
    this.taken = setup;
    this.waiting = true;
    this.send({ type: "take", ...chains });
    // A second chain of the same settings, for the next jump of the loop, when nothing moves any more.
    clearTimeout(this.twinTimer);
    const { number } = this;
    this.twinTimer = setTimeout(() => {
      if (number === this.number) this.send({ type: "twin", ...this.chainsOf(this.taken) });
    }, 400);
  }

  // Chains of a setup for all stems, at an address that is free in the player; equal ones are made once.
  chainsOf(setup) {
    const tracked = setup.stages.some(hearsItsTrack);
    const options = this.stems.map((stem, index) => ({ rate: data.rate, channels: stem.length, track: tracked ? index : 0 }));
    const { from, to } = this.slot(Math.max(...options.map((each) => this.engine.bytes(setup, each))));
    const made = new Map();
    let latency = 0;
    // Tracks with as many channels share all designs but those of what hears its track.
    for (const channels of new Set(options.map((each) => each.channels))) {
      const alike = options.filter((each) => each.channels === channels);
      const bytes = this.engine.create(setup, alike[0], from);
      latency = Math.max(latency, this.engine.exports.desk_latency(from)); // with one channel some stages are none
      for (const { track } of alike) {
        const key = `${channels} ${track}`;
        if (made.has(key)) continue;
        if (track !== alike[0].track) this.engine.retrack(from, setup, track);
        made.set(key, this.engine.copy(from, bytes));
      }
    }
    const chains = options.map((each) => made.get(`${each.channels} ${each.track}`));
    if (this.engine.exports.desk_live_bytes(data.rate, 2, 1.3 * latency + 320) > LIVE_BYTES) {
      throw new SettingError(`this chain is ${spoken(latency / data.rate)} s late, more than the desk can hold; it can still be rendered`);
    }
    this.busySlots.set(from, { from, to });
    return { address: from, chains, latency, setup: this.number, curves: this.curvesOf(setup), noises: this.noisesOf(setup) };
  }

  // Where sound is added, and the setting that turns it down alone.
  noisesOf(setup) {
    const name = "reference_level_dbfs";
    const options = { rate: data.rate, channels: Math.max(...this.stems.map((stem) => stem.length)) };
    return [...setup.stages.entries()].filter(([, stage]) => addsSound(stage)).map(([place, stage]) => {
      const setting = data.engine[stage.kind].settings.findIndex((each) => each.name === name);
      return { place, setting, value: Number(stage.numbers[setting]), late: this.engine.latency(setup.stages.slice(0, place), options) };
    });
  }

  // The curves of a setup for each stem.
  curvesOf(setup) {
    const byChannels = new Map();
    return this.stems.map(({ length: channels }) => {
      if (!byChannels.has(channels)) byChannels.set(channels, this.engine.curves(setup, { rate: data.rate, channels }));
      return byChannels.get(channels);
    });
  }

  async play() {
    await this.open();
    await this.context.resume();
    this.playing = true;
    this.send({ type: "play", on: true });
  }

  pause() {
    this.playing = false;
    this.send({ type: "play", on: false });
  }

  go(seconds) {
    this.place = clamp(seconds, 0, this.seconds);
    this.placeTime = performance.now();
    this.send({ type: "go", place: this.place });
  }

  setLoop(from, to) {
    this.loop = [from, to];
    this.send({ type: "loop", loop: this.loop });
  }

  setDry(on) {
    this.dry = on;
    this.send({ type: "dry", on });
  }

  setMatch(decibels) {
    this.match = gainOf(decibels);
    this.send({ type: "match", gain: this.match });
  }

  setVolume(decibels) {
    this.volumeDb = decibels;
    if (this.volume) this.volume.gain.setTargetAtTime(gainOf(decibels), this.context.currentTime, 0.02);
  }

  sendMix() {
    const anyAlone = this.mix.some((each) => each.alone);
    this.send({
      type: "mix",
      mix: this.mix.map((each) => ({ gain: each.silent || (anyAlone && !each.alone) ? 0 : each.gain, pan: each.pan })),
    });
  }

  // A stem through the chain of a setup, to the bits of `tapeemu process`, as a WAV file of floats with a comment.
  async file(setup, index, told, comment) {
    const engine = this.exactEngine();
    const stem = this.stems[index];
    const parts = [];
    const options = { rate: data.rate, channels: stem.length, start: 0, track: index, tailDb: -60 };
    for await (const part of rendered(engine, setup, options, stem, told)) parts.push(part);
    const channels = stem.map((_, channel) => {
      const whole = new Float32Array(sum(parts.map((part) => part[channel].length)));
      let from = 0;
      for (const part of parts) {
        whole.set(part[channel], from);
        from += part[channel].length;
      }
      return whole;
    });
    return { channels, wav: wavOf(channels, data.rate, comment) };
  }
}
