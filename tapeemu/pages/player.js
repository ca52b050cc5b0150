// Sounds that run together, of which one is heard.
//
// All sounds run together from one origin; only their gains differ. So a switch is a short crossfade
// between signals that are aligned to the sample, and nothing ever stops.
const FADE = 0.006;
const AHEAD = 0.06;

class Player {
  // sounds: { rate, seconds, count, eager, encoded(index) }, the last of which gives the coded sound, or an AudioBuffer.
  constructor(sounds) {
    this.sounds = sounds;
    this.context = null;
    this.buffers = new Map();
    this.loading = new Map();
    this.voices = new Map();
    this.current = 1;
    this.playing = false;
    this.origin = 0;
    this.offset = 0;
    this.part = null;
    this.decibels = -10;
    this.changed = () => {};
    this.failed = () => {};
    this.generation = 0;
  }

  prepare() {
    if (this.context) return;
    const Context = window.AudioContext || window.webkitAudioContext;
    if (!Context) throw new Error("this browser has no Web Audio");
    try {
      this.context = new Context({ sampleRate: this.sounds.rate });
    } catch {
      this.context = new Context();
    }
    this.master = this.context.createGain();
    this.master.gain.value = 10 ** (this.decibels / 20);
    this.master.connect(this.context.destination);
  }

  setVolume(decibels) {
    this.decibels = decibels;
    if (this.context) this.master.gain.setTargetAtTime(10 ** (decibels / 20), this.context.currentTime, 0.02);
  }

  load(index) {
    if (!this.loading.has(index)) {
      const work = this.sounds.encoded(index).then(async (coded) => {
        const whole = coded instanceof AudioBuffer ? coded : await this.context.decodeAudioData(coded);
        this.buffers.set(index, whole);
      });
      work.catch(() => this.loading.delete(index));
      this.loading.set(index, work);
    }
    return this.loading.get(index);
  }

  get seconds() {
    return this.sounds.seconds;
  }

  onGrid(seconds) {
    return Math.round(seconds * this.context.sampleRate) / this.context.sampleRate;
  }

  placeAt(time) {
    const place = this.offset + Math.max(time - this.origin, 0);
    if (!this.part || place < this.part[1]) return place;
    const [from, to] = this.part;
    return from + ((place - from) % (to - from));
  }

  get place() {
    if (!this.playing) return this.offset;
    return Math.min(this.placeAt(this.context.currentTime), this.seconds);
  }

  addVoice(index, when, offset) {
    const source = this.context.createBufferSource();
    const gain = this.context.createGain();
    source.buffer = this.buffers.get(index);
    if (this.part) {
      source.loop = true;
      [source.loopStart, source.loopEnd] = this.part;
    }
    gain.gain.value = 0;
    source.connect(gain).connect(this.master);
    source.start(when, offset);
    this.voices.set(index, { source, gain });
    return { source, gain };
  }

  fade(gain, to, when = this.context.currentTime) {
    const from = gain.gain.value;
    gain.gain.cancelScheduledValues(when);
    gain.gain.setValueAtTime(from, when);
    gain.gain.linearRampToValueAtTime(to, when + FADE);
  }

  silence() {
    const now = this.context.currentTime;
    for (const { source, gain } of this.voices.values()) {
      source.onended = null;
      this.fade(gain, 0, now);
      source.stop(now + 2 * FADE);
    }
    this.voices.clear();
  }

  // Begin all sounds at a place, at one moment a little ahead.
  begin(place) {
    if (this.voices.size) this.silence();
    let start = Math.min(Math.max(place, 0), this.seconds);
    if (this.part && (start < this.part[0] || start >= this.part[1])) start = this.part[0];
    if (start >= this.seconds) start = 0;
    this.offset = this.onGrid(start);
    this.origin = this.onGrid(this.context.currentTime + AHEAD);
    for (const index of this.buffers.keys()) {
      const { source, gain } = this.addVoice(index, this.origin, this.offset);
      if (index === this.current) this.fade(gain, 1, this.origin);
      if (index === this.current) source.onended = () => this.ended(source);
    }
    this.playing = true;
  }

  ended(source) {
    if (![...this.voices.values()].some((voice) => voice.source === source)) return;
    this.voices.clear();
    this.playing = false;
    this.offset = 0;
    this.changed();
  }

  async play() {
    const generation = (this.generation += 1);
    this.prepare();
    if (this.context.state !== "running") await this.context.resume();
    await this.load(this.current);
    if (generation !== this.generation) return;
    this.begin(this.offset);
    this.changed();
    if (this.sounds.count <= this.sounds.eager) this.loadRest();
  }

  async loadRest() {
    for (let index = 0; index < this.sounds.count; index += 1) {
      try {
        await this.load(index);
        this.join(index);
      } catch (error) {
        this.failed(error);
      }
    }
  }

  // A sound that is decoded while others run starts at the place where they are. Returns when it runs.
  join(index) {
    const now = this.context.currentTime;
    if (!this.playing || this.voices.has(index) || !this.buffers.has(index)) return now;
    const when = this.onGrid(this.context.currentTime + AHEAD);
    const offset = this.onGrid(this.placeAt(when));
    if (offset < this.seconds) this.addVoice(index, when, offset);
    return when;
  }

  pause() {
    this.generation += 1;
    if (!this.playing) return;
    this.offset = this.place;
    this.silence();
    this.playing = false;
    this.changed();
  }

  go(place) {
    const there = Math.min(Math.max(place, 0), this.seconds);
    if (this.playing) this.begin(there);
    else this.offset = there;
    this.changed();
  }

  setPart(part) {
    const here = this.place;
    this.part = part && this.context ? part.map((x) => this.onGrid(x)) : part;
    if (this.playing) this.begin(here);
    this.changed();
  }

  async choose(index) {
    this.current = index;
    this.changed();
    if (!this.context) return;
    if (!this.buffers.has(index)) {
      await this.load(index);
      if (this.current !== index) return;
    }
    if (!this.playing) return;
    const when = this.join(index);
    for (const [other, { source, gain }] of this.voices) {
      this.fade(gain, other === index ? 1 : 0, when);
      source.onended = other === index ? () => this.ended(source) : null;
    }
  }
}
