// The player: stems that loop together, each through its own chain, on one tape. Runs on the audio thread.

const PIECE = 4096;
const FADE_SECONDS = 0.03;
const EDGE_SECONDS = 0.005; // by which the end of a loop goes over into its beginning

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

// A stem: its samples, and the wasm instance with the chain that sounds and the one that is leaving.
class Voice {
  constructor(module, first, samples) {
    this.exports = new WebAssembly.Instance(module).exports;
    this.memory = this.exports.memory;
    this.pointers = first.pointers;
    this.audio = first.audio;
    this.samples = samples;
    this.channels = samples.length;
    this.frames = samples[0].length;
    this.chain = 0;
    this.leaving = 0;
    this.gain = 1;
    this.pan = 0;
    this.gains = [0, 0];
    this.dry = samples.map(() => new Float32Array(65536)); // a ring, to be as late as the chain
    this.latency = 0;
    this.first = Array.from({ length: 2 }, () => new Float32Array(PIECE));
    this.second = Array.from({ length: 2 }, () => new Float32Array(PIECE));
  }

  put(address, bytes) {
    const missing = address + bytes.byteLength - this.memory.buffer.byteLength;
    if (missing > 0) this.memory.grow(Math.ceil(missing / 65536));
    new Uint8Array(this.memory.buffer, address, bytes.byteLength).set(new Uint8Array(bytes));
  }

  run(chain, input, output, count) {
    const reals = new Float32Array(this.memory.buffer, this.audio, 4 * PIECE);
    const pointers = new Uint32Array(this.memory.buffer, this.pointers, 4);
    for (let channel = 0; channel < this.channels; channel += 1) {
      pointers[channel] = this.audio + channel * PIECE * 4;
      pointers[2 + channel] = this.audio + (2 + channel) * PIECE * 4;
      for (let i = 0; i < count; i += 1) reals[channel * PIECE + i] = input[channel][i];
    }
    const made = this.exports.tapeemu_process(chain, this.pointers, this.pointers + 8, count);
    for (let channel = 0; channel < this.channels; channel += 1) {
      const start = (2 + channel) * PIECE;
      for (let i = 0; i < count; i += 1) output[channel][i] = i < made ? reals[start + i] : 0;
    }
  }
}

class Desk extends AudioWorkletProcessor {
  constructor(options) {
    super();
    const { module, layout, stems } = options.processorOptions;
    this.voices = stems.map((samples) => new Voice(module, layout, samples));
    this.length = Math.max(...this.voices.map((voice) => voice.frames));
    this.loop = [0, this.length];
    this.place = 0;
    this.playing = false;
    this.level = 0; // of everything, on its way up or down where play begins or ends
    this.dryOnly = false;
    this.wetShare = 1;
    this.match = 1; // gain that brings the wet sound to the loudness of the dry one
    this.matchNow = 1;
    this.fade = 0;
    this.fadeSamples = Math.round(FADE_SECONDS * sampleRate);
    this.busy = null;
    this.told = 0;
    this.meters = this.fresh();
    this.weightings = [new KWeighting(sampleRate), new KWeighting(sampleRate)];
    this.input = Array.from({ length: 2 }, () => new Float32Array(PIECE));
    this.wet = Array.from({ length: 2 }, () => new Float32Array(PIECE));
    this.dry = Array.from({ length: 2 }, () => new Float32Array(PIECE));
    this.port.onmessage = (event) => this.hear(event.data);
  }

  fresh() {
    return { inPeak: 0, outPeak: 0, inPower: 0, outPower: 0, count: 0 };
  }

  hear(message) {
    switch (message.type) {
      case "take":
        this.take(message);
        break;
      case "play":
        this.playing = message.on;
        break;
      case "go":
        this.jump(Math.round(message.place * sampleRate));
        break;
      case "loop":
        this.loop = message.loop.map((seconds) => Math.round(seconds * sampleRate));
        this.loop[1] = Math.min(Math.max(this.loop[1], this.loop[0] + 2400), this.length);
        break;
      case "mix":
        message.mix.forEach(({ gain, pan }, index) => Object.assign(this.voices[index], { gain, pan }));
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

  // Go over to new chains, one a voice, at the place where the tape is now.
  take({ id, address, chains, latency }) {
    this.finishFade();
    this.voices.forEach((voice, index) => {
      voice.put(address, chains[index]);
      voice.leaving = voice.chain;
      voice.chain = address;
      voice.latency = latency;
      voice.exports.desk_seek(voice.chain, this.place);
    });
    if (this.voices[0].leaving) this.fade = this.fadeSamples;
    this.busy = { id: this.current, next: id };
    if (!this.voices[0].leaving) this.finishFade();
    this.current = id;
  }

  finishFade() {
    if (!this.busy) return;
    for (const voice of this.voices) voice.leaving = 0;
    this.fade = 0;
    this.port.postMessage({ type: "gone", id: this.busy.id ?? null });
    this.busy = null;
  }

  jump(place) {
    this.place = Math.min(Math.max(place, 0), this.length - 1);
    for (const voice of this.voices) if (voice.chain) voice.exports.desk_seek(voice.chain, this.place);
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
          const share = (at - (to - edge) + 0.5) / edge;
          const other = from - (to - at);
          value = value * (1 - share) + (other >= 0 && other < voice.frames ? samples[other] : 0) * share;
        }
        target[i] = value;
      }
    }
  }

  // A stretch that no edge of the loop cuts.
  stretch(out, offset, count) {
    const wet = this.wet;
    const dry = this.dry;
    for (let channel = 0; channel < 2; channel += 1) {
      wet[channel].fill(0, 0, count);
      dry[channel].fill(0, 0, count);
    }
    for (const voice of this.voices) {
      this.read(voice, count);
      if (!voice.chain) continue;
      voice.run(voice.chain, this.input, voice.first, count);
      if (voice.leaving) {
        voice.run(voice.leaving, this.input, voice.second, count);
        for (let channel = 0; channel < voice.channels; channel += 1) {
          for (let i = 0; i < count; i += 1) {
            const share = 0.5 - 0.5 * Math.cos(Math.PI * Math.min(1, 1 - (this.fade - i) / this.fadeSamples));
            voice.first[channel][i] = share * voice.first[channel][i] + (1 - share) * voice.second[channel][i];
          }
        }
      }
      const mono = voice.channels === 1;
      const angle = ((voice.pan + 1) * Math.PI) / 4;
      // A mono stem is placed by equal power; of a stereo stem the farther side is turned down.
      const wanted = mono
        ? [voice.gain * Math.cos(angle), voice.gain * Math.sin(angle)]
        : [voice.gain * Math.min(1, 1 - voice.pan), voice.gain * Math.min(1, 1 + voice.pan)];
      for (let side = 0; side < 2; side += 1) {
        const channel = mono ? 0 : side;
        const ring = voice.dry[channel];
        let gain = voice.gains[side];
        for (let i = 0; i < count; i += 1) {
          gain += (wanted[side] - gain) * 0.002;
          ring[(this.clock + i) & 65535] = this.input[channel][i];
          wet[side][i] += gain * voice.first[channel][i];
          dry[side][i] += gain * ring[(this.clock + i - voice.latency) & 65535];
        }
        voice.gains[side] = gain;
      }
    }
    if (this.fade) {
      this.fade = Math.max(0, this.fade - count);
      if (!this.fade) this.finishFade();
    }
    const step = 1 / this.fadeSamples;
    for (let i = 0; i < count; i += 1) {
      this.level = this.playing ? Math.min(1, this.level + step) : Math.max(0, this.level - step);
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
    this.clock = (this.clock + count) & 65535;
  }

  measure(wet, dry, count) {
    const meters = this.meters;
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

  process(_, outputs) {
    const out = outputs;
    const count = out[0][0].length;
    this.clock ??= 0;
    if (!this.playing && this.level === 0) return true;
    let done = 0;
    while (done < count) {
      if (this.place >= this.loop[1] && this.place - this.loop[1] < PIECE) this.jump(this.loop[0]);
      if (this.place >= this.length) this.jump(this.loop[0]);
      const end = this.place < this.loop[1] ? this.loop[1] : this.length;
      const now = Math.min(count - done, end - this.place, PIECE);
      this.stretch(out, done, now);
      done += now;
    }
    this.told += count;
    if (this.told > sampleRate / 30) {
      this.told = 0;
      this.port.postMessage({ type: "meters", place: this.place / sampleRate, time: currentTime, ...this.meters });
      this.meters = this.fresh();
    }
    return true;
  }
}

registerProcessor("desk", Desk);
