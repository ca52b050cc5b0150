// What follows from settings by closed forms: the figure of a transport, the distortion of a curve. It foretells what
// the laboratory reads, and is marked as expected wherever it is shown.

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

// The weighting of flutter: a monotone cubic (Fritsch and Carlson) through the points of its curve.
const WEIGHTING = [
  [0.1, 0.2, 0.315, 0.4, 0.63, 0.8, 1, 1.6, 2, 4, 6.3, 10, 20, 40, 63, 100, 200].map(Math.log2),
  [-48, -30.6, -19.7, -15, -8.4, -6, -4.2, -1.8, -0.9, 0, -0.9, -2.1, -5.9, -10.4, -14.2, -17.3, -23],
];
const WEIGHTING_SLOPES = (() => {
  const [x, y] = WEIGHTING;
  const steps = x.slice(1).map((value, i) => value - x[i]);
  const rises = steps.map((step, i) => (y[i + 1] - y[i]) / step);
  const edge = (h0, h1, d0, d1) => {
    const slope = ((2 * h0 + h1) * d0 - h0 * d1) / (h0 + h1);
    if (Math.sign(slope) !== Math.sign(d0)) return 0;
    return Math.sign(d0) !== Math.sign(d1) && Math.abs(slope) > 3 * Math.abs(d0) ? 3 * d0 : slope;
  };
  const inner = rises.slice(1).map((rise, i) => {
    if (rise * rises[i] <= 0) return 0;
    const [w1, w2] = [2 * steps[i + 1] + steps[i], steps[i + 1] + 2 * steps[i]];
    return (w1 + w2) / (w1 / rises[i] + w2 / rise);
  });
  const last = steps.length - 1;
  return [edge(steps[0], steps[1], rises[0], rises[1]), ...inner, edge(steps[last], steps[last - 1], rises[last], rises[last - 1])];
})();

const flutterWeighting = (rate) => {
  const [x, y] = WEIGHTING;
  const place = Math.log2(Math.max(rate, 1e-6));
  const inside = clamp(place, x[0], x.at(-1));
  let i = 0;
  while (i < x.length - 2 && inside >= x[i + 1]) i += 1;
  const h = x[i + 1] - x[i];
  const t = (inside - x[i]) / h;
  let level = (1 + 2 * t) * (1 - t) ** 2 * y[i] + t * (1 - t) ** 2 * h * WEIGHTING_SLOPES[i];
  level += t * t * (3 - 2 * t) * y[i + 1] + t * t * (t - 1) * h * WEIGHTING_SLOPES[i + 1];
  level += 18 * Math.min(place - x[0], 0) - 6 * Math.max(place - x.at(-1), 0);
  return 10 ** (level / 20);
};

const geometric = (low, high, count) => Float64Array.from({ length: count }, (_, i) => low * (high / low) ** (i / (count - 1)));
const trapezoid = (values, places) => {
  let total = 0;
  for (let i = 1; i < places.length; i += 1) total += 0.5 * (values[i] + values[i - 1]) * (places[i] - places[i - 1]);
  return total;
};

const lawPower = (low, high, slope, rms) => {
  const octaves = Math.max(1, Math.ceil(Math.log2(high / low) - 0.25));
  const ratio = (high / low) ** (1 / octaves);
  const exponent = slope / (10 * Math.log10(2));
  const shape = (frequency) => {
    const relative = Math.max(frequency, 1e-9 * low) / low;
    const place = Math.log(relative) / Math.log(ratio);
    if (!(place > -1 && place < octaves + 1)) return 0;
    return Math.cos(0.5 * Math.PI * clamp(Math.max(-place, place - octaves), 0, 1)) ** 2 * relative ** exponent;
  };
  const coarse = geometric(low / ratio, high * ratio, 64 * (octaves + 2) + 1);
  const total = trapezoid(coarse.map(shape), coarse);
  const fine = geometric(low / ratio, high * ratio, 4001);
  return ((rms * rms) / total) * trapezoid(fine.map((each) => shape(each) * flutterWeighting(each) ** 2), fine);
};

const scrapePower = (low, high, rms) => {
  const rise = (frequency, edge, width) => 0.5 * (1 + Math.sin(0.5 * Math.PI * clamp((frequency - edge) / (width * edge), -1, 1)));
  const shape = (frequency) => (1 - rise(frequency, high, 0.15)) * rise(frequency, low, 0.35);
  const whole = Float64Array.from({ length: 20001 }, (_, i) => (1.2 * high * i) / 20000);
  const total = trapezoid(whole.map((each) => shape(each) ** 2), whole);
  const fine = geometric(0.5 * low, 1.2 * high, 4001);
  return ((rms * rms) / total) * trapezoid(fine.map((each) => (shape(each) * flutterWeighting(each)) ** 2), fine);
};

// The complementary error function: W. J. Cody's three ranges would be exact to the last bit; a continued fraction and
// a series are to 1e-14, which is enough here.
const erfc = (x) => {
  if (x < 0) return 2 - erfc(-x);
  if (x > 27) return 0;
  if (x < 2.5) {
    let term = x;
    let total = x;
    for (let n = 1; Math.abs(term) > 1e-17 * Math.abs(total); n += 1) {
      term *= (-x * x) / n;
      total += term / (2 * n + 1);
      if (n > 200) break;
    }
    return 1 - (2 / Math.sqrt(Math.PI)) * total;
  }
  let fraction = 0;
  for (let n = 60; n > 0; n -= 1) fraction = n / 2 / (x + fraction);
  return Math.exp(-x * x) / Math.sqrt(Math.PI) / (x + fraction);
};

const PHASE_SETS = 1 << 14;
const exceededLevel = (amplitudes, rms) => {
  const peaks = amplitudes.map(Math.abs).filter((peak) => peak > 0);
  if (!peaks.length) return rms * TWO_SIGMA;
  let root = 1.5;
  for (let turn = 0; turn < 60; turn += 1) root = (1 + root) ** (1 / (peaks.length + 1));
  const total = new Float64Array(PHASE_SETS);
  peaks.forEach((peak, index) => {
    const step = root ** -(index + 1);
    for (let i = 0; i < PHASE_SETS; i += 1) total[i] += peak * Math.cos(2 * Math.PI * ((0.5 + i * step) % 1));
  });
  const highest = sum(peaks);
  if (rms <= 1e-6 * Math.max(...peaks)) {
    const sizes = total.map(Math.abs).sort();
    const place = 0.95 * (PHASE_SETS - 1);
    const below = Math.floor(place);
    return sizes[below] + (place - below) * (sizes[below + 1] - sizes[below]);
  }
  const norm = 1 / (rms * Math.SQRT2);
  const share = (level) => {
    let found = 0;
    for (let i = 0; i < PHASE_SETS; i += 1) {
      const [up, down] = [(level - total[i]) * norm, (level + total[i]) * norm];
      if (up < 6.5) found += erfc(up);
      if (down < 6.5) found += erfc(down);
    }
    return (0.5 * found) / PHASE_SETS - 0.05;
  };
  let [low, high] = [0, highest + 10 * rms];
  let [atLow, atHigh] = [share(low), share(high)];
  // Regula falsi that halves the weight of an end that stays.
  for (let turn = 0; turn < 60 && high - low > 1e-13 * high; turn += 1) {
    const middle = turn % 3 === 2 ? 0.5 * (low + high) : (low * atHigh - high * atLow) / (atHigh - atLow);
    const found = share(middle);
    if (found === 0) return middle;
    if (found > 0) [low, atLow] = [middle, found];
    else [high, atHigh] = [middle, found];
  }
  return (low * atHigh - high * atLow) / (atHigh - atLow);
};

const figuresKept = new Map();
const keepFigures = (found) => {
  for (const [mixture, figures] of found) figuresKept.set(JSON.stringify(mixture), figures);
};

// Two-sigma figures in percent before scaling, weighted and unweighted.
const flutterFigures = (own) => {
  const mixture = mixtureOf(own);
  const key = JSON.stringify([mixture.parts.map((part) => [turnsPerSecond(part, mixture.speed), part.peak_percent]), mixture.random, mixture.band, mixture.slope, own.scrape_percent, mixture.scrapeBand]);
  const known = figuresKept.get(key);
  if (known) return known;
  const rms = mixture.random / 100 / TWO_SIGMA;
  const scrape = own.scrape_percent / 100 / TWO_SIGMA;
  let power = rms > 0 ? lawPower(...mixture.band, mixture.slope, rms) : 0;
  if (scrape > 0) power += scrapePower(...mixture.scrapeBand, scrape);
  const rates = mixture.parts.map((part) => turnsPerSecond(part, mixture.speed));
  const peaks = mixture.parts.map((part) => part.peak_percent / 100);
  const made = [
    100 * exceededLevel(peaks.map((peak, i) => peak * flutterWeighting(rates[i])), Math.sqrt(power)),
    100 * exceededLevel(peaks, Math.hypot(rms, scrape)),
  ];
  if (figuresKept.size > 500) {
    figuresKept.clear();
    keepFigures(data.figures);
  }
  figuresKept.set(key, made);
  return made;
};

const flutterScale = (own) => {
  const wanted = own.weighted_flutter_percent ?? (own.profile === null ? null : mixtureOf(own).typical);
  if (wanted === null) return 1;
  return wanted ? wanted / flutterFigures(own)[0] : 0;
};

// ---------------------------------------------------------------- a sine through a hyperbolic tangent
const PHASES = 2048;
const SINE = Float64Array.from({ length: PHASES }, (_, i) => Math.sin((2 * Math.PI * (i + 0.5)) / PHASES));

const curveOf = (driveDb, asymmetryPercent) => {
  const gain = gainOf(driveDb);
  const rest = asymmetryPercent / 100;
  const shift = Math.atanh(rest);
  return (x) => (Math.tanh(gain * x + shift) - rest) / (gain * (1 - rest * rest));
};

// THD in percent of a sine at a level, by Fourier analysis of the curve.
const drivenThdPercent = (driveDb, levelDbfs, asymmetryPercent) => {
  const curve = curveOf(driveDb, asymmetryPercent);
  const level = gainOf(levelDbfs);
  const output = SINE.map((value) => curve(level * value));
  const fundamental = (2 * output.reduce((total, value, i) => total + value * SINE[i], 0)) / PHASES;
  const mean = output.reduce((total, value) => total + value, 0) / PHASES;
  const power = output.reduce((total, value, i) => total + (value - mean - fundamental * SINE[i]) ** 2, 0) / PHASES;
  return (100 * Math.sqrt(2 * power)) / fundamental;
};

const effectiveDrives = new Map();
const effectiveDriveDb = (own) => {
  if (own.thd_percent === null) return own.drive_db ?? 6;
  const key = `${own.thd_percent} ${own.reference_level_dbfs} ${own.asymmetry_percent}`;
  if (!effectiveDrives.has(key)) {
    let [low, high] = [-40, 60];
    for (let turn = 0; turn < 40; turn += 1) {
      const middle = 0.5 * (low + high);
      if (drivenThdPercent(middle, own.reference_level_dbfs, own.asymmetry_percent) < own.thd_percent) low = middle;
      else high = middle;
    }
    effectiveDrives.set(key, 0.5 * (low + high));
  }
  return effectiveDrives.get(key);
};

// ---------------------------------------------------------------- decay by octave
const decaysOf = (own) => {
  if (own.decay_by_band_seconds !== null) {
    const seconds = bandSeconds(own.decay_by_band_seconds);
    return own.decay_seconds === null ? seconds : seconds.map((value) => (value * own.decay_seconds) / seconds[4]);
  }
  const middle = own.decay_seconds ?? 2;
  // As decay_by_ratios of the room's layout: two shelves on top of a constant, exact at 125 Hz, 1 kHz and 8 kHz.
  const lowPart = (hertz) => 1 / (1 + (hertz / 300) ** 2);
  const highPart = (hertz) => 1 / (1 + (4000 / hertz) ** 2);
  const [bottom, centre, top] = [OCTAVES_HZ[1], OCTAVES_HZ[4], OCTAVES_HZ[7]];
  const [a, b] = [lowPart(bottom) - lowPart(centre), highPart(bottom) - highPart(centre)];
  const [c, d] = [lowPart(top) - lowPart(centre), highPart(top) - highPart(centre)];
  const left = 1 / (own.low_decay_ratio ?? 1.1) - 1;
  const right = 1 / (own.high_decay_ratio ?? 0.5) - 1;
  const low = (left * d - b * right) / (a * d - b * c);
  const high = (a * right - left * c) / (a * d - b * c);
  return OCTAVES_HZ.map((hertz) => {
    const rate = 1 + low * (lowPart(hertz) - lowPart(centre)) + high * (highPart(hertz) - highPart(centre));
    return middle / Math.max(rate, 0.05);
  });
};
