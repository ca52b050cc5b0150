// What follows from settings before anything sounds, as the suite's own kernels say it. It foretells what the laboratory
// reads, and is marked as expected wherever it is shown.

const REFERENCE_DBFS = -18;

// The engine that is asked; it has the bits of Python. Set when the page begins.
let solver = null;

const FIGURES = { drive_db: 0, thd_percent: 1, mol_db: 2, hiss_db: 3, decay_seconds: 4, record_loss_um: 5, sol_db: 6, noise_power: 7, boost_limit_db: 8 };

// What was found for a key, or is found now; so many are kept.
const kept = (store, most, key, find) => {
  if (!store.has(key)) {
    if (store.size > most) store.clear();
    store.set(key, find());
  }
  return store.get(key);
};

const solved = new Map();

// A figure that the kernels of a stage solve for, from its settings; null where they know none. Some take long, and
// only the stage that moves has a new one.
const figureOf = (kind, own, what, argument = 0) => {
  const kernel = kernelOf(kind);
  const stage = { kind: kernel, numbers: numbersOf(data.engine[kernel], NUMBERS[kind]?.(own) ?? own), still: [] };
  return kept(solved, 2000, `${kind} ${what} ${argument} ${stage.numbers.join()}`, () => {
    const found = solver.figure({ stages: [stage], groups: [] }, FIGURES[what], argument);
    return found > -1e8 ? found : null;
  });
};

// ---------------------------------------------------------------- flutter
const mixtureOf = (own) => {
  const base = own.profile === null ? data.transports.as_set : data.transports[own.profile];
  return {
    speed: own.tape_speed_cm_s ?? base.tape_speed_cm_s,
    parts: own.rotating_parts ?? base.parts.map(([diameter, peak]) => ({ rate_hz: null, diameter_mm: diameter, peak_percent: peak, phase_degrees: null })),
    random: own.random_percent ?? base.random_percent,
    band: own.random_band_hz ?? base.random_band_hz,
    slope: own.random_slope_db_per_octave ?? -3,
    scrapeBand: own.scrape_band_hz ?? [100, 5000],
    typical: base.weighted_flutter_percent,
  };
};

const turnsPerSecond = (part, speed) => (part.diameter_mm !== null ? (10 * speed) / (Math.PI * part.diameter_mm) : part.rate_hz);

const figuresKept = new Map();

// Two-sigma figures in percent before scaling, weighted and unweighted.
const flutterFigures = (own) => {
  const mixture = mixtureOf(own);
  const rms = (percent) => percent / 100 / TWO_SIGMA;
  const numbers = [
    ...[mixture.parts.length, rms(mixture.random), ...mixture.band, mixture.slope, rms(own.scrape_percent), ...mixture.scrapeBand],
    ...mixture.parts.flatMap((part) => [turnsPerSecond(part, mixture.speed), part.peak_percent / 100]),
  ];
  return kept(figuresKept, 500, numbers.join(), () => solver.flutterFigures(numbers));
};

// The weighted figure that all that moves is scaled to; null where nothing is.
const wantedFlutter = (own) => own.weighted_flutter_percent ?? (own.profile === null ? null : mixtureOf(own).typical);

const flutterScale = (own) => {
  const wanted = wantedFlutter(own);
  if (wanted === null) return 1;
  return wanted ? wanted / flutterFigures(own)[0] : 0;
};

// Decay times of the octaves from 63 Hz to 16 kHz.
const decaysOf = (own) => OCTAVES_HZ.map((_, band) => figureOf("fdn_reverb", own, "decay_seconds", band));

// A-weighted noise in dB re a sine at the reference level; null where nothing sounds by itself.
const noiseOf = (stages) => {
  const powers = stages.filter(addsSound).map((stage) => figureOf(stage.sort, stage.own, "noise_power", data.rate) * 10 ** ((stage.own.reference_level_dbfs - REFERENCE_DBFS) / 10));
  return powers.length ? 10 * Math.log10(sum(powers)) : null;
};

// What tones become in the stages that saturate, on an engine of its own.
class Bend {
  constructor(engine, stages) {
    this.engine = engine;
    this.stages = stages;
    engine.create({ stages, groups: [] }, { rate: data.rate, channels: 1 }, engine.first);
    this.latency = engine.exports.desk_latency(engine.first);
  }

  // Periods of a sine, in and out, when `settle` of them have passed.
  sine(frequency, levelDbfs, periods, settle) {
    const { engine, latency } = this;
    engine.exports.desk_seek(engine.first, 0);
    const period = Math.round(data.rate / frequency);
    const count = period * (periods + settle) + latency;
    const level = gainOf(levelDbfs);
    const input = Float64Array.from({ length: count }, (_, i) => level * Math.sin((2 * Math.PI * i) / period));
    const output = new Float64Array(count);
    for (let from = 0; from < count; from += 2048) {
      const size = Math.min(2048, count - from);
      engine.process(engine.first, 1, [input.subarray(from, from + size)], [output.subarray(from, from + size)], size);
    }
    const start = period * settle;
    return { period, in: input.subarray(start, start + period * periods), out: output.subarray(start + latency, start + latency + period * periods) };
  }

  // Sizes of the harmonics of 1 kHz up to an order, the fundamental first.
  harmonics(levelDbfs, orders) {
    const { period, out } = this.sine(1000, levelDbfs, 8, 32);
    return Array.from({ length: Math.min(orders, Math.floor(period / 2) - 1) }, (_, index) => {
      let [re, im] = [0, 0];
      for (let i = 0; i < out.length; i += 1) {
        const angle = (2 * Math.PI * (index + 1) * (i % period)) / period;
        re += out[i] * Math.cos(angle);
        im += out[i] * Math.sin(angle);
      }
      return Math.hypot(re, im);
    });
  }

  thd(levelDbfs) {
    const [fundamental, ...others] = this.harmonics(levelDbfs, 19);
    return (100 * Math.hypot(...others)) / fundamental;
  }

  // Level of 1 kHz with 3 % third harmonic, in dB re the reference level; null where there is none.
  mol() {
    const [{ sort, own }] = this.stages;
    if (this.stages.length === 1 && sort !== "preamp_drive") {
      const known = figureOf(sort, own, "mol_db");
      if (known !== null) return known + own.reference_level_dbfs - REFERENCE_DBFS;
    }
    const third = (levelDbfs) => {
      const [fundamental, , harmonic] = this.harmonics(levelDbfs, 3);
      return harmonic / fundamental;
    };
    let [low, high] = [-60, 24];
    if (third(low) > 0.03 || third(high) < 0.03) return null;
    while (high - low > 0.02) {
      const middle = 0.5 * (low + high);
      if (third(middle) < 0.03) low = middle;
      else high = middle;
    }
    return 0.5 * (low + high) - REFERENCE_DBFS;
  }

  // One slow full-scale sine, in and out.
  loop() {
    const { in: x, out } = this.sine(60, 0, 1, 2);
    return { in: Array.from(x), out: Array.from(out) };
  }
}
