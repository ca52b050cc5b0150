// What follows from settings before anything sounds, as the suite's own kernels say it. It foretells what the laboratory
// reads, and is marked as expected wherever it is shown.

// The engine that is asked; it has the bits of Python. Set when the page begins.
let solver = null;

const FIGURES = { drive_db: 0, thd_percent: 1, mol_db: 2, hiss_db: 3, decay_seconds: 4, record_loss_um: 5, sol_db: 6 };

// A figure that the kernels of a stage solve for, from its settings; null where they know none.
const figureOf = (kind, own, what, argument = 0) => {
  const kernel = kernelOf(kind);
  const stage = { kind: kernel, numbers: numbersOf(data.engine[kernel], NUMBERS[kind]?.(own) ?? own), still: [] };
  const found = solver.figure({ stages: [stage], groups: [] }, FIGURES[what], argument);
  return found > -1e8 ? found : null;
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
  const key = numbers.join();
  if (!figuresKept.has(key)) {
    if (figuresKept.size > 500) figuresKept.clear();
    figuresKept.set(key, solver.flutterFigures(numbers));
  }
  return figuresKept.get(key);
};

const flutterScale = (own) => {
  const wanted = own.weighted_flutter_percent ?? (own.profile === null ? null : mixtureOf(own).typical);
  if (wanted === null) return 1;
  return wanted ? wanted / flutterFigures(own)[0] : 0;
};

// Decay times of the octaves from 63 Hz to 16 kHz.
const decaysOf = (own) => OCTAVES_HZ.map((_, band) => figureOf("fdn_reverb", own, "decay_seconds", band));
