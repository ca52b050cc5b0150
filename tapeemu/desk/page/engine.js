// The C library in the page. Chains are made here, at the addresses that they will have in the player, and their memory
// is copied there byte by byte: instances of one module that grow alike have one layout.

const PAGE_BYTES = 65536;
const ROW_BYTES = 65536; // for the numbers of a setup
const LIVE_BYTES = 24 << 20; // for what joins chains in one of the player's two lanes; it is touched where it is used
const BLOCK = 256; // samples that a chain works on at once
const PIECE = 4096; // most samples of a call

class Engine {
  constructor(module, single) {
    this.instance = new WebAssembly.Instance(module);
    this.exports = this.instance.exports;
    this.memory = this.exports.memory;
    this.Real = single ? Float32Array : Float64Array;
    this.row = (this.exports.__heap_base.value + 63) & ~63;
    this.pointers = this.row + ROW_BYTES;
    this.audio = this.pointers + 1024;
    this.lives = [0, 1].map((lane) => this.audio + 8 * 2 * 2 * PIECE + lane * LIVE_BYTES); // the player's two lanes
    this.first = this.lives[1] + LIVE_BYTES; // where chains may lie
  }

  need(bytes) {
    const missing = bytes - this.memory.buffer.byteLength;
    if (missing > 0) this.memory.grow(Math.ceil(missing / PAGE_BYTES));
  }

  write(setup, { rate, channels, place = 0, track = 0 }) {
    const words = [rate, channels, BLOCK, place, track, setup.stages.length, setup.groups.length];
    for (const stage of setup.stages) words.push(stage.kind, stage.numbers.length, stage.still.length, ...stage.numbers, ...stage.still);
    for (const group of setup.groups) words.push(...group);
    if (words.length * 8 > ROW_BYTES) throw new SettingError("this chain has more settings than a page can hold; make it shorter");
    this.need(this.first);
    const view = new DataView(this.memory.buffer, this.row);
    words.forEach((word, index) => {
      if (typeof word === "bigint") view.setBigUint64(8 * index, BigInt.asUintN(64, word), true);
      else view.setFloat64(8 * index, word, true);
    });
  }

  bytes(setup, options) {
    this.write(setup, options);
    const bytes = this.exports.desk_bytes(this.row);
    if (!bytes) throw new SettingError("this chain cannot be made: at most 16 stages are possible");
    return bytes;
  }

  // The latency of stages, in samples.
  latency(stages, options) {
    if (!stages.length) return 0;
    this.create({ stages, groups: [] }, options, this.first);
    return this.exports.desk_latency(this.first);
  }

  // The curves of a setup with the latency where they are followed.
  curves(setup, options) {
    return (setup.curves ?? []).map((curve) => ({ ...curve, late: this.latency(stagesBefore(setup, curve), options) }));
  }

  // A chain at an address.
  create(setup, options, address) {
    const bytes = this.bytes(setup, options);
    this.need(address + bytes);
    this.exports.desk_create(this.row, address);
    return bytes;
  }

  // A chain that was just made on another track.
  retrack(address, setup, track) {
    setup.stages.forEach((stage, index) => {
      if (hearsItsTrack(stage)) this.exports.desk_retrack(address, index, track);
    });
  }

  // What the kernels of the first stage of a setup say; see engine.c.
  figure(setup, what, argument) {
    this.write(setup, { rate: data.rate, channels: 1 });
    this.need(this.first + PAGE_BYTES);
    return this.exports.desk_figure(this.row, what, argument, this.first);
  }

  flutterFigures(numbers) {
    if (numbers.length * 8 > ROW_BYTES) throw new SettingError("these are more rotating parts than a page can hold");
    this.need(this.first + 8 * (16384 + 64 + 3 * numbers.length));
    new Float64Array(this.memory.buffer, this.row, numbers.length).set(numbers);
    this.exports.desk_flutter_figures(this.row, this.first);
    return [...new Float64Array(this.memory.buffer, this.row, 2)];
  }

  // A copy of what lies at an address, to be sent.
  copy(address, bytes) {
    return this.memory.buffer.slice(address, address + bytes);
  }

  // Rows of samples, two to be read and two to be written, and where they are for the library.
  rows(channels) {
    this.need(this.first);
    const size = this.Real.BYTES_PER_ELEMENT;
    const pointers = new Uint32Array(this.memory.buffer, this.pointers, 4);
    for (let channel = 0; channel < channels; channel += 1) {
      pointers[channel] = this.audio + channel * PIECE * size;
      pointers[2 + channel] = this.audio + (2 + channel) * PIECE * size;
    }
    return new this.Real(this.memory.buffer, this.audio, 4 * PIECE);
  }

  // Feed silence to a chain within a chain that was begun earlier, until it stands where it hears the rest.
  runIntoPlace(chain, { group, samples, ratio }, channels, most, followed) {
    const begun = this.exports.desk_group_place(chain, group);
    let made = 0;
    for (let left = samples; left > 0; left -= most) {
      this.rows(channels).fill(0);
      made += this.exports.desk_run_group(chain, group, this.pointers, this.pointers + 8, Math.min(most, left));
      followed?.passed();
    }
    if (made !== placeBehind(begun + samples, ratio) - placeBehind(begun, ratio)) {
      throw new Error("a chain within the chain has noise and another speed of its own; render this by tapeemu process");
    }
  }

  // Channels in, channels out; at most PIECE samples. Returns how many were made.
  process(chain, channels, input, output, count) {
    const reals = this.rows(channels);
    for (let channel = 0; channel < channels; channel += 1) reals.set(input[channel], channel * PIECE);
    const made = this.exports.tapeemu_process(chain, this.pointers, this.pointers + 8, count);
    for (let channel = 0; channel < channels; channel += 1) {
      const start = (2 + channel) * PIECE;
      output[channel].set(reals.subarray(start, start + made));
    }
    return made;
  }
}

// The tail of a chain in samples; of settings that follow curves, the longest that these give where they end, in every
// combination: what one allows another may make longer.
const longestTail = (engine, setup, options, tailDb) => {
  const tailOf = (stage) => {
    engine.create({ stages: [stage], groups: [] }, options, engine.first);
    return engine.exports.desk_tail(engine.first, tailDb);
  };
  const curves = (setup.curves ?? []).filter((curve) => !curve.mixed);
  return sum(setup.stages.map((stage) => {
    const own = curves.filter((curve) => setup.stages[curve.stage] === stage);
    const ends = own.reduce((made, { setting, values }) =>
      made.flatMap((each) => [Math.min(...values), Math.max(...values)].map((value) => ({ ...each, numbers: each.numbers.with(setting, value) }))), [stage]);
    return Math.max(...ends.map(tailOf));
  }));
};

// Stages that the sound has passed where a curve changes it: all in front of a stage, those of a group that is mixed.
const stagesBefore = (setup, curve) => setup.stages.slice(0, curve.mixed ? curve.mixed[1] : curve.stage);

// Lets a chain that renders follow its curves. Each is counted where it is followed, which behind a tape at another speed
// is no place of the input: so every value is given a cell ahead.
class FollowedCurves {
  constructor(engine, address, curves, rate) {
    this.exports = engine.exports;
    this.address = address;
    this.cell = cellOf(rate);
    this.curves = curves.map((curve) => ({ ...curve, now: 0, last: null }));
    for (const curve of this.curves) curve.now = this.cellNow(curve);
    for (let ahead = -20; ahead <= 3; ahead += 1) {
      for (const curve of this.curves) this.give(curve, curve.now + ahead, "");
      if (ahead < 3) this.exports.tapeemu_follow_on(address);
    }
    for (const curve of this.curves) this.give(curve, curve.now + 4, "_next");
  }

  cellNow(curve) {
    return curve.mixed ? this.exports.desk_share_cell(this.address, curve.group) : this.exports.desk_cell(this.address, curve.stage);
  }

  give(curve, cell, ahead) {
    const [middle, half] = [cell * this.cell, 0.5 * this.cell];
    const value = curveMean(curve, middle - half, middle + half);
    if (ahead && value === curve.last) return;
    curve.last = value;
    const followed = curve.mixed
      ? this.exports[`tapeemu_follow_share${ahead}`](this.address, curve.group, value / 100)
      : this.exports[`tapeemu_follow${ahead}`](this.address, curve.stage, curve.setting, value);
    if (!followed) throw new Error(`${curve.name} cannot follow its curve here; render by tapeemu process`);
  }

  // Behind at most half a cell of the chain.
  passed() {
    for (const curve of this.curves) {
      const now = this.cellNow(curve);
      if (now === curve.now) continue;
      curve.now = now;
      this.give(curve, now + 4, "_next");
    }
  }
}

// Whether a stage, or a chain within the chain, adds sound by itself: a stage wherever its curves are, a chain by what is
// heard of it.
const nodeSounds = (node) => (node.nodes ? node.nodes.some((each) => !each.away && nodeSounds(each)) : addsSound(node.stage));

// Samples for which a node remembers what it heard.
const memoryOf = (engine, setup, node, options) => {
  if (node.nodes) return sum(node.nodes.map((each) => memoryOf(engine, setup, each, options)));
  const curves = (setup.curves ?? []).filter((curve) => curve.stage === node.first).map((curve) => ({ ...curve, stage: 0 }));
  return longestTail(engine, { stages: [node.stage], groups: [], curves }, options, -120) + engine.latency([node.stage], options);
};

// Samples by which a chain with a source is begun earlier, counted at its input, so that what stands behind the source
// has heard it for as long as it remembers.
const runInOf = (engine, setup, nodes, options) => {
  const source = nodes.findIndex(nodeSounds);
  if (source < 0) return 0;
  let samples = 0;
  let ratio = 1;
  for (const [number, node] of nodes.entries()) {
    ratio *= ratioOf({ stages: setup.stages.slice(node.first, node.behind) });
    if (number > source) samples += memoryOf(engine, setup, node, options) / ratio;
  }
  return samples ? Math.ceil(samples) + 8 : 0;
};

// Chains within the chain that hear a source of their own, each begun so much earlier than it hears the rest; outer ones first.
const innerRunIns = (engine, setup, nodes, options) =>
  nodes.filter((node) => node.nodes).flatMap((node) => {
    const samples = runInOf(engine, setup, node.nodes, options);
    const group = setup.groups.indexOf(node.group);
    const ratio = ratioOf({ stages: setup.stages.slice(node.first, node.behind) });
    return [...(samples ? [{ group, samples, ratio }] : []), ...innerRunIns(engine, setup, node.nodes, options)];
  });

// A place on the tape behind what changes the length.
const placeBehind = (place, ratio) => (ratio === 1 ? place : roundedEven(place * ratio));

// A stem through a chain as `tapeemu process` does it: late sound moved back to its place, the tail waited for, and a
// chain behind a source started as much earlier as its sound is remembered.
async function* rendered(engine, setup, { rate, channels, start, track, tailDb, tailSamples = null }, samples, told = () => {}) {
  const address = engine.first;
  const frames = samples[0].length;
  const options = { rate, channels, track };
  const runIn = runInOf(engine, setup, setup.nodes, { rate, channels });
  const inner = innerRunIns(engine, setup, setup.nodes, { rate, channels });
  const ratio = ratioOf(setup);
  const tail = tailSamples ?? Math.min(longestTail(engine, setup, options, tailDb), 120 * rate);
  engine.create(setup, { ...options, place: start - runIn }, address);
  const latency = engine.exports.desk_latency(address);
  for (const { group, samples: earlier } of inner) engine.exports.desk_begin_earlier(address, group, earlier);
  const followed = setup.curves?.length ? new FollowedCurves(engine, address, setup.curves, rate) : null;
  const wanted = roundedEven(frames * ratio) + tail;
  let late = latency + placeBehind(start, ratio) - placeBehind(start - runIn, ratio);
  let made = 0;
  const silence = new Float64Array(PIECE);
  const HALF = followed ? 64 : 2048; // half a cell at most
  const out = Array.from({ length: channels }, () => new Float64Array(PIECE));
  for (const each of inner.toReversed()) engine.runIntoPlace(address, each, channels, HALF, followed);
  let since = performance.now();
  for (let from = -runIn; made < wanted; ) {
    const count = from < 0 ? Math.min(HALF, -from) : from < frames ? Math.min(HALF, frames - from) : HALF;
    const input = samples.map((one) => (from < 0 || from >= frames ? silence.subarray(0, count) : one.subarray(from, from + count)));
    const got = engine.process(address, channels, input, out, count);
    followed?.passed();
    from += count;
    const skipped = Math.min(late, got);
    late -= skipped;
    const kept = Math.min(got - skipped, wanted - made);
    if (kept > 0) yield out.map((one) => one.slice(skipped, skipped + kept));
    made += Math.max(kept, 0);
    if (performance.now() - since > 60) {
      told(made / wanted);
      await new Promise((resolve) => setTimeout(resolve));
      since = performance.now();
    }
  }
}

// Whether another track has another sound.
const hearsItsTrack = (stage) =>
  stage.sort === "tape_noise" ||
  (stage.sort === "splices" && stage.own.splices.length > 0) ||
  (stage.sort === "wow_flutter" && stage.own.track_skew_us > 0) ||
  (stage.sort === "head_azimuth" && stage.own.tracks > 0);

// Whether a stage adds sound by itself, wherever its curves are.
const addsSound = (stage) => stage.ends.some((own) => stage.sort === "tape_noise" && (own.hiss || own.hum_db !== null));

const ratioOf = (setup) => setup.stages.reduce((ratio, stage) => ratio * (1 / (1 + (stage.own.speed_error_percent ?? 0) / 100)), 1);

// As Python rounds: halves to the even number.
const roundedEven = (value) => {
  const below = Math.floor(value);
  if (value - below !== 0.5) return Math.round(value);
  return below % 2 ? below + 1 : below;
};

// A WAV file of floats, with a comment behind them.
const wavOf = (channels, rate, comment) => {
  const frames = channels[0].length;
  const count = channels.length;
  const size = 4 * frames * count;
  const field = comment.length + 1 + ((comment.length + 1) & 1); // ended by a zero, of even length
  const view = new DataView(new ArrayBuffer(58 + size + 20 + field));
  const text = (place, word) => [...word].forEach((letter, i) => view.setUint8(place + i, letter.charCodeAt(0)));
  text(0, "RIFF");
  view.setUint32(4, view.byteLength - 8, true);
  text(8, "WAVEfmt ");
  view.setUint32(16, 18, true);
  view.setUint16(20, 3, true);
  view.setUint16(22, count, true);
  view.setUint32(24, rate, true);
  view.setUint32(28, rate * 4 * count, true);
  view.setUint16(32, 4 * count, true);
  view.setUint16(34, 32, true);
  text(38, "fact");
  view.setUint32(42, 4, true);
  view.setUint32(46, frames, true);
  text(50, "data");
  view.setUint32(54, size, true);
  for (let i = 0; i < frames; i += 1) {
    for (let channel = 0; channel < count; channel += 1) view.setFloat32(58 + 4 * (i * count + channel), channels[channel][i], true);
  }
  text(58 + size, "LIST");
  view.setUint32(62 + size, 12 + field, true);
  text(66 + size, "INFOICMT");
  view.setUint32(74 + size, field, true);
  text(78 + size, comment);
  return view.buffer;
};
