// The player: stems that loop together, each through its own chain, on one tape. Runs on the audio thread.

const PIECE = 4096;
const STEP = 128; // of the player's clock: what it decides, it decides there, whatever quantum it is asked for
const FADE_SECONDS = 0.03;
const SETTLING = 256;
const SETTLING_FADES = 2; // fades that a later chain hears before it is heard
const LEAST_LATENCY = 512; // so that a stage with a short one may come in while all plays on
const EDGE_SECONDS = 0.012; // by which the end of a loop goes over into its beginning

// K-weighting of ITU-R BS.1770 at any rate, from the analogue prototypes of its two filters.
class KWeighting {
  constructor(rate) {
    const shelf = (() => {
      const [f0, g, q] = [1681.974450955533, 3.999843853973347, 0.7071752369554196];
      const k = Math.tan((Math.PI * f0) / rate);
      const vh = 10 ** (g / 20);
      const vb = vh ** 0.4996667741545416;
      const a0 = 1 + k / q + k * k;
      return [(vh + (vb * k) / q + k * k) / a0, (2 * (k * k - vh)) / a0, (vh - (vb * k) / q + k * k) / a0, (2 * (k * k - 1)) / a0, (1 - k / q + k * k) / a0];
    })();
    const pass = (() => {
      const [f0, q] = [38.13547087602444, 0.5003270373238773];
      const k = Math.tan((Math.PI * f0) / rate);
      const a0 = 1 + k / q + k * k;
      return [1, -2, 1, (2 * (k * k - 1)) / a0, (1 - k / q + k * k) / a0];
    })();
    this.filters = [shelf, pass];
    this.state = new Float64Array(8);
  }

  // Sum of squares of a weighted block, of one channel.
  power(block, count, channel) {
    const [one, two] = this.filters;
    const s = this.state.subarray(4 * channel, 4 * channel + 4);
    let total = 0;
    for (let i = 0; i < count; i += 1) {
      const x = block[i];
      const y = one[0] * x + s[0];
      s[0] = one[1] * x - one[3] * y + s[1];
      s[1] = one[2] * x - one[4] * y;
      const z = two[0] * y + s[2];
      s[2] = two[1] * y - two[3] * z + s[3];
      s[3] = two[2] * y - two[4] * z;
      total += z * z;
    }
    if (Math.abs(s[0]) + Math.abs(s[2]) < 1e-25) s.fill(0);
    return total;
  }
}

// A stem: its samples, and the wasm instance with the chains that it sounds through.
class Voice {
  constructor(module, layout, samples) {
    this.exports = new WebAssembly.Instance(module).exports;
    this.memory = this.exports.memory;
    this.layout = layout;
    this.samples = samples;
    this.channels = samples.length;
    this.frames = samples[0].length;
    this.gain = 1;
    this.pan = 0;
    this.gains = null; // of both sides, on their way to where they shall be
    this.dry = samples.map(() => new Float32Array(65536)); // rings, to be as late as the chain
    this.out = samples.map(() => new Float32Array(PIECE));
    this.lives = [0, 0];
  }

  need(bytes) {
    const missing = bytes - this.memory.buffer.byteLength;
    if (missing > 0) this.memory.grow(Math.ceil(missing / 65536));
  }

  // Begin anew in one of the two lanes, with a latency that all chains to come are delayed to.
  declare(lane, latency, clock) {
    this.need(this.layout.first);
    const address = this.layout.lives[lane];
    const bytes = this.exports.desk_live_bytes(sampleRate, this.channels, latency);
    new Uint8Array(this.memory.buffer, address, bytes).fill(0);
    this.lives[lane] = this.exports.desk_live_create(sampleRate, this.channels, latency, address);
    const [{ length }] = this.dry;
    if (latency + 2 * PIECE <= length) return;
    let wide = length;
    while (wide < latency + 2 * PIECE) wide *= 2;
    this.dry = this.dry.map((ring) => {
      const made = new Float32Array(wide);
      for (let back = 1; back <= length; back += 1) made[(clock - back) & (wide - 1)] = ring[(clock - back) & (length - 1)];
      return made;
    });
  }

  put(address, bytes) {
    this.need(address + bytes.byteLength);
    new Uint8Array(this.memory.buffer, address, bytes.byteLength).set(new Uint8Array(bytes));
  }

  // Samples in and out, and where they are for the library: made once for each growth of the memory, so that this thread
  // has little garbage to collect.
  rows() {
    const { buffer } = this.memory;
    if (this.views?.reals.buffer !== buffer) {
      const { audio, pointers } = this.layout;
      this.views = { reals: new Float32Array(buffer, audio, 4 * PIECE), addresses: new Uint32Array(buffer, pointers, 4) };
    }
    return this.views;
  }

  // What a lane makes of the input, into `out` or added to it; both weighted sample by sample where weights are given.
  run(lane, input, count, fed, heard, added) {
    const { audio, pointers } = this.layout;
    const { reals, addresses } = this.rows();
    for (let channel = 0; channel < this.channels; channel += 1) {
      addresses[channel] = audio + channel * PIECE * 4;
      addresses[2 + channel] = audio + (2 + channel) * PIECE * 4;
      const samples = input[channel];
      if (fed) for (let i = 0; i < count; i += 1) reals[channel * PIECE + i] = fed[i] * samples[i];
      else for (let i = 0; i < count; i += 1) reals[channel * PIECE + i] = samples[i];
    }
    this.exports.tapeemu_live_process(this.lives[lane], pointers, pointers + 8, count);
    for (let channel = 0; channel < this.channels; channel += 1) {
      const start = (2 + channel) * PIECE;
      const out = this.out[channel];
      if (!added) out.fill(0, 0, count);
      if (heard) for (let i = 0; i < count; i += 1) out[i] += heard[i] * reals[start + i];
      else for (let i = 0; i < count; i += 1) out[i] += reals[start + i];
    }
  }
}

// From 0 to 1 with three smooth derivatives at both ends.
const risen = (way) => {
  const t = Math.min(Math.max(way, 0), 1);
  return t ** 4 * (35 + t * (-84 + t * (70 - 20 * t)));
};

class Desk extends AudioWorkletProcessor {
  constructor(options) {
    super();
    const { module, layout, stems } = options.processorOptions;
    this.voices = stems.map((samples) => new Voice(module, layout, samples));
    this.length = Math.max(...this.voices.map((voice) => voice.frames));
    this.loop = [0, this.length];
    this.place = 0;
    this.clock = 0;
    this.latency = LEAST_LATENCY;
    this.unheard = 0;
    this.playing = false;
    this.level = 0; // of everything, on its way up or down where play begins or ends
    this.dryOnly = false;
    this.wetShare = 1;
    this.match = 1; // gain that brings the wet sound to the loudness of the dry one
    this.matchNow = 1;
    this.fadeSamples = Math.round(FADE_SECONDS * sampleRate);
    this.slots = new Map(); // what lies where: address to the setup's number, and how many voices still hear it
    this.current = null; // number of the setup that sounds
    this.spare = null; // a chain of it that does not sound, for the next jump
    this.waiting = null; // a chain that shall be taken as soon as it can
    this.onTape = true; // whether the chain is where the song is
    this.lane = 0; // of the two where chains lie, the one that plays
    this.leaving = null; // the other one, while it gives way to a later one or rings
    this.moved = []; // settings that were moved since the chain was made: stage, setting, value
    this.followers = []; // of each voice
    this.refused = null; // number of a setup of which a setting could not follow its curve
    this.jumpTo = null; // a place to go to in silence
    this.looped = false; // whether the end of the loop came before its beginning
    this.sounding = null; // address of the chain that plays
    this.changing = false;
    this.told = 0;
    this.meters = this.fresh();
    this.weightings = [new KWeighting(sampleRate), new KWeighting(sampleRate)];
    this.input = Array.from({ length: 2 }, () => new Float32Array(PIECE));
    this.wet = Array.from({ length: 2 }, () => new Float32Array(PIECE));
    this.dry = Array.from({ length: 2 }, () => new Float32Array(PIECE));
    this.weights = Array.from({ length: 4 }, () => new Float32Array(PIECE));
    this.port.onmessage = (event) => this.hear(event.data);
  }

  fresh() {
    return { inPeak: 0, outPeak: 0, inPower: 0, outPower: 0, count: 0 };
  }

  hear(message) {
    switch (message.type) {
      case "take":
        this.put(message);
        this.waiting = message;
        break;
      case "twin":
        this.put(message);
        if (message.setup === this.current && !this.spare) this.keep(message.address);
        else this.free(message.address);
        break;
      case "set":
        this.set(message);
        break;
      case "play":
        this.playing = message.on;
        break;
      case "go":
        this.jumpTo = Math.min(Math.max(Math.round(message.place * sampleRate), 0), this.length - 1);
        if (this.level === 0) this.land();
        break;
      case "loop":
        this.loop = message.loop.map((seconds) => Math.round(seconds * sampleRate));
        this.loop[1] = Math.min(Math.max(this.loop[1], this.loop[0] + 2400), this.length);
        break;
      case "mix":
        message.mix.forEach(({ gain, pan }, index) => Object.assign(this.voices[index], { gain, pan }));
        if (this.level === 0) for (const voice of this.voices) voice.gains = null;
        break;
      case "dry":
        this.dryOnly = message.on;
        break;
      case "match":
        this.match = message.gain;
        break;
      default:
    }
  }

  put({ address, chains, setup, latency, noises }) {
    this.voices.forEach((voice, index) => voice.put(address, chains[index]));
    this.slots.set(address, { setup, latency, noises, held: 0, lane: null });
  }

  // Move settings of the chain that plays, and of its spare. Refused where it takes a new chain.
  set({ setup, changes, curves }) {
    if (setup !== this.current || this.waiting || !this.sounding) return this.port.postMessage({ type: "refused" });
    const chains = this.spare ? [this.sounding, this.spare] : [this.sounding];
    for (const change of changes) {
      this.moved = [...this.moved.filter((each) => each.kind !== change.kind || each.place !== change.place || each.setting !== change.setting), change];
    }
    this.followers = curves.map((each) => new Follower(each, sampleRate));
    const done = chains.map((address) => changes.map((change) => this.move(address, change)).every(Boolean)).every(Boolean);
    return done ? undefined : this.port.postMessage({ type: "refused" });
  }

  // kind: "setting" of a stage, or the "share" of a group, at once or as it follows a curve.
  move(address, { kind, place, setting, value }, voices = this.voices) {
    return voices
      .map(({ exports }) => {
        if (kind === "setting") return exports.tapeemu_set(address, place, setting, value);
        return kind === "share" ? exports.tapeemu_set_share(address, place, value) : exports.tapeemu_follow_share(address, place, value);
      })
      .every(Boolean);
  }

  // How the settings of a chain follow their curves. One that cannot is told of, and the chain is made anew.
  follow(address, voice) {
    return (curve, value) => {
      const change = curve.group === null ? { kind: "setting", place: curve.stage, setting: curve.setting, value } : { kind: "followed share", place: curve.group, value: value / 100 };
      if (this.move(address, change, [voice]) || this.refused === this.current) return;
      this.refused = this.current;
      this.port.postMessage({ type: "refused" });
    };
  }

  // A chain of the present setup that may be needed for a jump.
  keep(address) {
    this.spare = address;
    for (const change of this.moved) this.move(address, change);
  }

  free(address) {
    this.slots.delete(address);
    this.port.postMessage({ type: "gone", address });
  }

  // Everything that plays or waits is dropped, and the chain that sounded begins anew at the place of the song.
  land() {
    if (this.jumpTo !== null) {
      this.place = this.jumpTo;
      this.looped = false;
    }
    this.jumpTo = null;
    this.begin(this.sounding ? this.roomFor(this.slots.get(this.sounding).latency) : this.latency, this.sounding);
  }

  // The latency to declare for a chain, so that a later one may follow without a change of it.
  roomFor(latency) {
    return Math.max(LEAST_LATENCY, Math.ceil((latency * 1.3 + 64) / 256) * 256);
  }

  begin(latency, address) {
    this.latency = latency;
    this.unheard = latency + SETTLING; // what comes out before is the start of a chain in the middle of a sound
    this.leaving = null;
    for (const [other, slot] of [...this.slots]) {
      slot.held = 0;
      if (other !== address && other !== this.spare && other !== this.waiting?.address) this.free(other);
    }
    for (const voice of this.voices) {
      voice.declare(this.lane, latency, this.clock);
      for (const ring of voice.dry) ring.fill(0);
    }
    this.sounding = null;
    if (address) this.take(address);
    this.onTape = true;
  }

  // Let a chain sound from the next sample on; false while another change is under way.
  take(address) {
    for (const [index, voice] of this.voices.entries()) {
      this.followers[index]?.stand(this.place, this.follow(address, voice));
      voice.exports.desk_seek(address, this.place);
      if (!voice.exports.tapeemu_live_take(voice.lives[this.lane], address)) return false;
    }
    Object.assign(this.slots.get(address), { held: this.voices.length, lane: this.lane });
    this.sounding = address;
    return true;
  }

  // A chain that is later than all before, or that would cut a tail, plays in the other lane. It hears the same input from now on. When its latency
  // and what it needs to settle have passed, the outputs change place: a little is heard twice, nothing is silent, and
  // what rings in the lane that is left rings on, without its noise.
  changeLanes(address, latency, followers) {
    const crossing = latency + SETTLING_FADES * this.fadeSamples;
    const moved = ({ place, setting }) => this.moved.find((each) => each.kind === "setting" && each.place === place && each.setting === setting)?.value;
    // What follows a curve is left where it stands.
    const followed = ({ place, setting }) => followers[0]?.curves.find((each) => each.group === null && each.stage === place && each.setting === setting)?.last;
    const noises = this.slots.get(this.sounding).noises.map((each) => ({ ...each, value: followed(each) ?? moved(each) ?? each.value, share: 1 }));
    this.leaving = { lane: this.lane, address: this.sounding, latency: this.latency, at: 0, crossing, noises, end: null };
    this.lane = 1 - this.lane;
    this.latency = latency;
    for (const voice of this.voices) voice.declare(this.lane, latency, this.clock);
    this.take(address);
  }

  // Whether what rings now would not ring on in this lane.
  cutsTail(address) {
    return Boolean(this.sounding) && this.voices.some(({ exports, lives }) => !exports.tapeemu_live_keeps_tail(lives[this.lane], address));
  }

  // Samples until the lanes have changed place; 0 if they do not.
  get lanesLeft() {
    return this.leaving ? Math.max(this.leaving.crossing + this.fadeSamples - this.leaving.at, 0) : 0;
  }

  // The lane that was left has died away, or must.
  leave() {
    const { lane } = this.leaving;
    this.leaving = null;
    for (const [address, slot] of [...this.slots]) if (slot.lane === lane && slot.held > 0) this.free(address);
  }

  // What wants to sound, and what no longer does.
  settle() {
    if (this.leaving?.end !== null && this.leaving && this.leaving.at >= this.leaving.end) this.leave();
    for (const voice of this.voices) {
      const live = voice.lives[this.lane];
      for (let gone = voice.exports.tapeemu_live_gone(live); gone; gone = voice.exports.tapeemu_live_gone(live)) {
        const slot = this.slots.get(gone);
        if (!slot) continue;
        slot.held -= 1;
        if (slot.held > 0) continue;
        slot.lane = null;
        if (slot.setup === this.current && !this.spare) this.keep(gone);
        else this.free(gone);
      }
    }
    const changing = this.lanesLeft > 0 || Boolean(this.voices[0].exports.tapeemu_live_changing(this.voices[0].lives[this.lane]));
    if (this.changing && !changing) this.port.postMessage({ type: "settled" });
    this.changing = changing;
    if (changing) return;
    if (this.waiting) {
      const { address, setup, latency, curves } = this.waiting;
      const later = latency > this.latency;
      const silent = this.level === 0 || !this.sounding;
      const lanes = !silent && (later || this.cutsTail(address));
      if (lanes && this.leaving) {
        // Only one lane may ring: it is faded, and then comes this change.
        this.leaving.end = Math.min(this.leaving.end ?? Infinity, this.leaving.at + this.fadeSamples);
        return;
      }
      const before = this.followers;
      this.followers = curves.map((each) => new Follower(each, sampleRate));
      if (later && silent) this.begin(this.roomFor(latency), null);
      if (lanes) {
        this.changeLanes(address, later ? this.roomFor(latency) : this.latency, before);
      } else if (!this.take(address)) {
        this.followers = before;
        return;
      }
      if (this.spare) this.free(this.spare);
      this.spare = null;
      this.current = setup;
      this.moved = [];
      this.waiting = null;
      this.onTape = true;
      this.changing = this.lanesLeft > 0 || Boolean(this.voices[0].exports.tapeemu_live_changing(this.voices[0].lives[this.lane]));
      if (!this.changing) this.port.postMessage({ type: "settled" });
    } else if (!this.onTape && this.spare) {
      const { spare } = this;
      if (!this.take(spare)) return;
      this.spare = null;
      this.onTape = true;
    }
  }

  // Weights of the two lanes over the next samples: of what each is fed and of what is heard of it.
  weigh(count) {
    const { leaving, fadeSamples } = this;
    const [fed, heard, came, fresh] = this.weights;
    for (let i = 0; i < count; i += 1) {
      const at = leaving.at + i;
      fresh[i] = risen(at / fadeSamples);
      came[i] = risen((at - leaving.crossing) / fadeSamples);
      fed[i] = 1 - risen((at - leaving.crossing + leaving.latency) / fadeSamples);
      heard[i] = 1;
      if (leaving.end !== null) heard[i] *= 1 - risen((at - leaving.end + fadeSamples) / fadeSamples);
    }
  }

  // Turn the noise of the lane that is left down as that of the other comes up: by the level that it is told against, at
  // the stages where it arises, which take it up two cells and a half later.
  hush({ address, at, latency, crossing, noises }) {
    for (const noise of noises) {
      const share = 1 - risen((at + latency - noise.late + 2.5 * cellOf(sampleRate) - crossing) / this.fadeSamples);
      if (share === noise.share) continue;
      noise.share = share;
      const value = noise.value + Math.max(20 * Math.log10(share), -200);
      this.move(address, { kind: "setting", place: noise.place, setting: noise.setting, value });
    }
  }

  // Samples of a stem from the place on; the end of a loop goes over into its beginning.
  read(voice, count) {
    const [from, to] = this.loop;
    const edge = Math.min(Math.round(EDGE_SECONDS * sampleRate), to - from);
    for (let channel = 0; channel < voice.channels; channel += 1) {
      const samples = voice.samples[channel];
      const target = this.input[channel];
      for (let i = 0; i < count; i += 1) {
        const at = this.place + i;
        let value = at < voice.frames ? samples[at] : 0;
        if (this.place < to && at >= to - edge) {
          const share = 0.5 - 0.5 * Math.cos((Math.PI * (at - (to - edge) + 0.5)) / edge);
          const other = from - (to - at);
          value = value * (1 - share) + (other >= 0 && other < voice.frames ? samples[other] : 0) * share;
        }
        target[i] = value;
      }
    }
  }

  // A stretch that no edge of the loop cuts.
  stretch(out, offset, count) {
    const { wet, dry } = this;
    for (let channel = 0; channel < 2; channel += 1) {
      wet[channel].fill(0, 0, count);
      dry[channel].fill(0, 0, count);
    }
    if (this.sounding) this.followers.forEach((each, index) => each.follow(this.place, this.follow(this.sounding, this.voices[index])));
    const { leaving, lane } = this;
    if (leaving) this.weigh(count);
    const [fed, heard, came, fresh] = this.weights;
    for (const voice of this.voices) {
      this.read(voice, count);
      voice.run(lane, this.input, count, leaving ? fresh : null, leaving ? came : null, false);
      if (leaving) voice.run(leaving.lane, this.input, count, fed, heard, true);
      const mono = voice.channels === 1;
      const angle = ((voice.pan + 1) * Math.PI) / 4;
      // A mono stem is placed by equal power; of a stereo stem the farther side is turned down.
      const wanted = mono
        ? [voice.gain * Math.cos(angle), voice.gain * Math.sin(angle)]
        : [voice.gain * Math.min(1, 1 - voice.pan), voice.gain * Math.min(1, 1 + voice.pan)];
      voice.gains ??= [...wanted];
      for (let channel = 0; channel < voice.channels; channel += 1) {
        const ring = voice.dry[channel];
        const mask = ring.length - 1;
        for (let i = 0; i < count; i += 1) ring[(this.clock + i) & mask] = this.input[channel][i];
      }
      for (let side = 0; side < 2; side += 1) {
        const channel = mono ? 0 : side;
        const ring = voice.dry[channel];
        const mask = ring.length - 1;
        let gain = voice.gains[side];
        for (let i = 0; i < count; i += 1) {
          gain += (wanted[side] - gain) * 0.002;
          wet[side][i] += gain * voice.out[channel][i];
          let late = ring[(this.clock + i - this.latency) & mask];
          if (leaving && came[i] < 1) late = came[i] * late + (1 - came[i]) * ring[(this.clock + i - leaving.latency) & mask];
          dry[side][i] += gain * late;
        }
        voice.gains[side] = gain;
      }
    }
    // A song begins as it is; only what starts in its middle is faded in.
    if (this.playing && this.place === 0 && this.level === 0) {
      this.level = 1;
      this.unheard = 0;
    }
    const step = 1 / this.fadeSamples;
    const up = this.playing && this.jumpTo === null && this.unheard === 0;
    this.unheard = Math.max(0, this.unheard - count);
    for (let i = 0; i < count; i += 1) {
      this.level = up ? Math.min(1, this.level + step) : Math.max(0, this.level - step);
      this.wetShare = this.dryOnly ? Math.max(0, this.wetShare - step) : Math.min(1, this.wetShare + step);
      this.matchNow += (this.match - this.matchNow) * 0.001;
      const level = 0.5 - 0.5 * Math.cos(Math.PI * this.level);
      const share = 0.5 - 0.5 * Math.cos(Math.PI * this.wetShare);
      for (let side = 0; side < 2; side += 1) {
        const heard = share * this.matchNow * wet[side][i] + (1 - share) * dry[side][i];
        out[0][side][offset + i] = level * heard;
        if (out[1]) out[1][side][offset + i] = level * wet[side][i];
        if (out[2]) out[2][side][offset + i] = level * dry[side][i];
      }
    }
    this.measure(wet, dry, count);
    this.place += count;
    this.clock += count;
    if (leaving) leaving.at += count;
  }

  // When the lane that is left is fed nothing more, its tail is what is left of it.
  passLanes() {
    const { leaving } = this;
    if (leaving.end !== null || this.lanesLeft > 0) return;
    const tailOf = ({ exports, lives }) => (leaving.noises.length ? exports.desk_tail(leaving.address, -100) : exports.desk_live_tail(lives[leaving.lane], -100));
    leaving.end = leaving.at + Math.max(...this.voices.map(tailOf)) + this.fadeSamples;
  }

  measure(wet, dry, count) {
    const { meters } = this;
    for (let side = 0; side < 2; side += 1) {
      meters.outPower += this.weightings[0].power(wet[side], count, side);
      meters.inPower += this.weightings[1].power(dry[side], count, side);
      for (let i = 0; i < count; i += 1) {
        meters.outPeak = Math.max(meters.outPeak, Math.abs(wet[side][i]));
        meters.inPeak = Math.max(meters.inPeak, Math.abs(dry[side][i]));
      }
    }
    meters.count += count;
  }

  // Where the song is of what is heard, which went in so much earlier: at the end of the loop while it has just begun anew.
  heardAt(late) {
    const [from, to] = this.loop;
    const heard = this.place - late;
    if (!this.looped || heard >= from || this.place < from) return Math.max(heard, 0);
    return to - 1 - ((from - 1 - heard) % (to - from));
  }

  // At a step of the clock: what is over, and what begins. Returns whether anything sounds.
  decide() {
    if (this.leaving) this.passLanes();
    this.settle();
    if (!this.playing && this.level === 0) return false;
    if (this.jumpTo !== null && this.level === 0) this.land();
    if (this.leaving) this.hush(this.leaving);
    return true;
  }

  process(_, out) {
    const count = out[0][0].length;
    if (!this.voices[0].lives[this.lane]) this.begin(LEAST_LATENCY, null);
    let done = 0;
    while (done < count) {
      if (this.clock % STEP === 0 && !this.decide()) break;
      const before = this.place;
      if ((this.place >= this.loop[1] && this.place - this.loop[1] < PIECE) || this.place >= this.length) [this.place] = this.loop;
      if (before !== this.place) {
        this.onTape = false;
        this.looped = true;
        this.settle();
      }
      const end = this.place < this.loop[1] ? this.loop[1] : this.length;
      let now = Math.min(count - done, end - this.place, STEP - (this.clock % STEP), this.unheard || STEP);
      if (this.sounding) now = this.followers.reduce((least, each) => each.room(this.place, least), now);
      this.stretch(out, done, now);
      done += now;
    }
    this.told += done;
    if (this.told > sampleRate / 30) {
      this.told = 0;
      const late = this.lanesLeft > 0 ? this.leaving.latency : this.latency;
      const place = this.heardAt(late) / sampleRate;
      this.port.postMessage({ type: "meters", place, late: late / sampleRate, time: currentTime, ...this.meters });
      this.meters = this.fresh();
    }
    return true;
  }
}

registerProcessor("desk", Desk);
