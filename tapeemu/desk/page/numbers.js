// From settings to the numbers of the engine, and the rules between settings, as in the processors of the suite.

const TWO_SIGMA = 1.959963984540054;
const KERNELS = { preamp_drive: "drive", tape_magnetisation: "magnetised", fdn_reverb: "room" };
const OCTAVES_HZ = Array.from({ length: 9 }, (_, band) => 1000 * 10 ** (0.3 * (band - 4)));

class SettingError extends Error {
  constructor(message, key = null) {
    super(message);
    this.key = key;
  }
}

// ---------------------------------------------------------------- values as declared
const FACTORS = { s: { s: 1, ms: 1e-3 }, ms: { ms: 1, s: 1e3 }, Hz: { Hz: 1, kHz: 1e3 }, "µs": { "µs": 1, us: 1, ms: 1e3 } };

const numberOf = (value, field) => {
  if (typeof value !== "string") return value;
  const match = /^\s*([+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)\s*(\S*)\s*$/.exec(value);
  const factors = FACTORS[field.unit] ?? { [field.unit]: 1 };
  const factor = match && (match[2] ? factors[match[2]] : 1);
  return factor ? Number(match[1]) * factor : value;
};

const outside = (value, field) =>
  (field.ge !== null && value < field.ge) || (field.gt !== null && value <= field.gt) ||
  (field.le !== null && value > field.le) || (field.lt !== null && value >= field.lt);

const rangeOf = (field) => {
  const unit = field.unit ? ` ${field.unit}` : "";
  const low = field.ge ?? field.gt;
  const high = field.le ?? field.lt;
  if (low !== null && high !== null) return `${spoken(low)} to ${spoken(high, 6)}${unit}`;
  return low === null ? `at most ${spoken(high)}${unit}` : `${spoken(low)}${unit} or more`;
};

// The value of a setting, checked by itself; null where it is left out.
const checked = (name, given, field) => {
  if (given === undefined || given === null) {
    if (field.required) throw new SettingError(`${name} is missing; give it a value`, name);
    return field.optional ? null : field.default;
  }
  const wrong = (rule) => {
    throw new SettingError(`${name} is ${typeof given === "object" ? "a table" : given}, but must be ${rule}`, name);
  };
  switch (field.type) {
    case "switch":
      return typeof given === "boolean" ? given : wrong("true or false");
    case "choice":
      return field.choices.includes(given) ? given : wrong(`one of: ${field.choices.join(", ")}`);
    case "text":
      return typeof given === "string" ? given : wrong("a text");
    case "whole": {
      const value = numberOf(given, field);
      if (typeof value !== "bigint" && !Number.isInteger(value)) wrong("a whole number");
      if (outside(value, field)) wrong(rangeOf(field));
      return value;
    }
    case "number": {
      const value = numberOf(given, field);
      if (typeof value !== "number" && typeof value !== "bigint") wrong("a number");
      if (outside(value, field)) wrong(rangeOf(field));
      return Number(value);
    }
    case "pair": {
      if (!Array.isArray(given) || given.length !== 2) wrong("two numbers");
      return given.map((each) => Number(numberOf(each, field)));
    }
    case "table":
      return checkedTable(given, field.fields);
    case "tables":
      if (!Array.isArray(given)) wrong("a list of tables");
      return given.map((each) => checkedTable(each, field.fields));
    default:
      return given;
  }
};

const checkedTable = (given, fields) => {
  for (const key of Object.keys(given)) {
    if (!(key in fields)) throw new SettingError(`${key} is not known here; known: ${Object.keys(fields).join(", ")}`, key);
  }
  return Object.fromEntries(Object.entries(fields).map(([name, field]) => [name, checked(name, given[name], field)]));
};

const refuse = (condition, message, key) => {
  if (condition) throw new SettingError(message, key);
};

// ---------------------------------------------------------------- rules between settings, and numbers, by kind
const sum = (values) => values.reduce((total, value) => total + value, 0);
const given01 = (value) => (value === null ? 0 : 1);

const bandSeconds = (table) => {
  const values = Object.values(table);
  const known = values.map((value, band) => [band, value]).filter(([, value]) => value !== null);
  return values.map((_, band) => {
    const below = known.filter(([each]) => each <= band).at(-1) ?? known[0];
    const above = known.find(([each]) => each >= band) ?? known.at(-1);
    if (below[0] === above[0]) return below[1];
    const share = (band - below[0]) / (above[0] - below[0]);
    return Math.exp(Math.log(below[1]) + share * (Math.log(above[1]) - Math.log(below[1])));
  });
};

const RULES = {
  preamp_drive(own) {
    refuse(own.drive_db !== null && own.thd_percent !== null, "drive_db and thd_percent are both set, but one follows from the other; leave one of them out", "thd_percent");
    if (own.thd_percent !== null) {
      const [least, most] = [-40, 60].map((drive) => drivenThdPercent(drive, own.reference_level_dbfs, own.asymmetry_percent));
      refuse(own.thd_percent < least || own.thd_percent > most, `thd_percent is ${own.thd_percent} %, but this curve gives ${spoken(least)} to ${spoken(most)} % at ${own.reference_level_dbfs} dBFS; choose a value in that range`, "thd_percent");
    }
  },
  tape_magnetisation(own) {
    refuse(own.drive_db !== null && own.mol_db !== null, "drive_db and mol_db are both set, but one follows from the other; leave one of them out", "mol_db");
  },
  fdn_reverb(own, given) {
    const table = own.decay_by_band_seconds;
    if (table === null) return;
    refuse(Object.values(table).every((value) => value === null), "a table of decay times needs at least one band", "decay_by_band_seconds");
    let seconds = bandSeconds(table);
    for (let band = 1; band < 9; band += 1) {
      const step = Math.max(seconds[band] / seconds[band - 1], seconds[band - 1] / seconds[band]);
      refuse(step > 2.5 * (1 + 1e-9), "the decay times of neighbouring bands may differ by a factor of 2.5 at most; bring them closer together", "decay_by_band_seconds");
    }
    for (const name of ["low_decay_ratio", "high_decay_ratio"]) {
      refuse(given[name] !== undefined, `${name} is set, but decay_by_band_seconds sets the decay of every band; leave one of the two out`, name);
    }
    if (own.decay_seconds !== null) {
      seconds = seconds.map((value) => value * (own.decay_seconds / seconds[4]));
      refuse(Math.min(...seconds) < 0.05 * (1 - 1e-12) || Math.max(...seconds) > 60 * (1 + 1e-12), "decay_seconds scales a band beyond 0.05 to 60 s; choose another time, or bring the bands closer together", "decay_seconds");
    }
  },
  amplitude_flutter(own, given) {
    refuse(own.mode === "gain" && given.spacing_frequency_hz !== undefined, "spacing_frequency_hz is set, but in mode gain all frequencies move alike; leave it out, or set mode to spacing", "spacing_frequency_hz");
    const [low, high] = [own.random_low_hz, own.random_high_hz];
    refuse(low > 0 && !(1.25 * low <= high && high <= 200 * low), "the edges of the random part must be 1.25 to 200 times apart; random_low_hz 0 removes the lower one", "random_high_hz");
    refuse(own.dropout_least_db > own.dropout_most_db, "the shallowest dropout is deeper than the deepest; swap them", "dropout_least_db");
    refuse(own.dropout_shortest_ms > own.dropout_longest_ms, "the shortest dropout is longer than the longest; swap them", "dropout_shortest_ms");
    const peaks = sum(own.periodic_parts.map((part) => part.peak_db));
    refuse(peaks > 24, "the peaks of periodic_parts add up to more than 24 dB; lower the largest", "periodic_parts");
    const rise = ((peaks + (3 / TWO_SIGMA) * own.random_db) * 20000) / own.spacing_frequency_hz;
    refuse(own.mode === "spacing" && rise > 40, "in spacing mode 20 kHz would rise by more than 40 dB; lower random_db or the peaks, or raise spacing_frequency_hz", "random_db");
  },
  tape_noise(own, given) {
    refuse(own.bass_time_constant_us > 0 && own.bass_time_constant_us < 500, "bass_time_constant_us must be 0 (none), or 500 or more", "bass_time_constant_us");
    refuse(own.hiss_db !== null && own.track_width_mm !== null, "hiss_db and track_width_mm are both set, but the width only sets the level of the hiss; leave one out", "track_width_mm");
    refuse(own.hiss_db === null && given.hiss_weighting !== undefined, "hiss_weighting is set, but hiss_db, which it is about, is left out; set hiss_db, or leave it out", "hiss_weighting");
  },
  wow_flutter(own, given) {
    for (const [name, lowest, apart] of [["random_band_hz", 0.01, 2], ["scrape_band_hz", 50, 1.25]]) {
      const band = own[name];
      refuse(band !== null && !(lowest <= band[0] && apart * band[0] <= band[1] && band[1] <= 20000), `${name} must lie within ${lowest} to 20000 Hz, its upper edge ${apart} times its lower edge or more`, name);
    }
    if (own.profile !== null) {
      for (const name of ["rotating_parts", "random_percent", "scrape_percent"]) {
        refuse(given[name] !== undefined, `${name} is set, but the profile ${own.profile} brings its own parts; leave one of the two out`, name);
      }
    }
    const mixture = mixtureOf(own);
    for (const part of own.rotating_parts ?? []) {
      refuse((part.rate_hz === null) === (part.diameter_mm === null), "a rotating part needs one of rate_hz and diameter_mm: each gives its rate", "rotating_parts");
    }
    refuse(own.tape_speed_cm_s !== null && mixture.parts.every((part) => part.diameter_mm === null), "tape_speed_cm_s is set, but no rotating part is given by its diameter, so nothing depends on it; leave it out", "tape_speed_cm_s");
    for (const part of mixture.parts) {
      const rate = turnsPerSecond(part, mixture.speed);
      refuse(!(rate >= 0.02 && rate <= 250), `a part of ${part.diameter_mm} mm turns at ${spoken(rate)} Hz, but must turn at 0.02 to 250 Hz; change its diameter or the tape speed`, "tape_speed_cm_s");
    }
    refuse(own.weighted_flutter_percent > 0 && flutterFigures(own)[0] <= 0, "weighted_flutter_percent is set, but no part moves, so there is nothing to scale; set a rotating part, a band or a profile", "weighted_flutter_percent");
    const most = flutterScale(own) * (sum(mixture.parts.map((part) => part.peak_percent)) + mixture.random + own.scrape_percent) + Math.abs(own.speed_error_percent);
    refuse(most > 20, `the parts add up to a speed deviation of ${spoken(most)} %, but must stay within 20 %; lower the largest of them`, "weighted_flutter_percent");
  },
};

const NUMBERS = {
  drive: (own) => ({ ...own, drive_given: given01(own.drive_db), thd_given: given01(own.thd_percent) }),
  magnetised: (own) => ({ ...own, drive_given: given01(own.drive_db), mol_given: given01(own.mol_db) }),
  room(own) {
    const bands = own.decay_by_band_seconds === null ? Array(9).fill(null) : Object.values(own.decay_by_band_seconds);
    return {
      ...own,
      decay_given: given01(own.decay_seconds),
      low_given: given01(own.low_decay_ratio),
      high_given: given01(own.high_decay_ratio),
      band_seconds: bands.map((value) => value ?? 0),
      bands_given: bands.map(given01),
    };
  },
  amplitude_flutter: (own) => ({
    ...own,
    spacing: own.mode === "spacing" ? 1 : 0,
    periodic_parts: own.periodic_parts.map((part) => [part.rate_hz, part.peak_db, part.phase_degrees ?? 0, given01(part.phase_degrees)]),
  }),
  tape_noise: (own) => ({
    ...own,
    hiss_set: given01(own.hiss_db),
    weighting: own.hiss_weighting === "a" ? 0 : 1,
    treble_us: own.treble_time_constant_us,
    bass_us: own.bass_time_constant_us,
    track_width_mm: own.track_width_mm ?? 2,
    skirt: given01(own.modulation_noise_db),
    skirt_db: own.modulation_noise_db,
    skirt_hz: own.modulation_noise_hz,
    hum: given01(own.hum_db),
  }),
  wow_flutter(own) {
    const mixture = mixtureOf(own);
    const [weighted, unweighted] = flutterFigures(own);
    const scale = flutterScale(own);
    return {
      ...own,
      parts: mixture.parts.map((part) => {
        const turns = (part.phase_degrees ?? 0) / 360;
        return [turnsPerSecond(part, mixture.speed), part.peak_percent, turns - Math.floor(turns), given01(part.phase_degrees)];
      }),
      random_percent: mixture.random,
      random_slope_db_per_octave: mixture.slope,
      random_low_hz: mixture.band[0],
      random_high_hz: mixture.band[1],
      scrape_low_hz: mixture.scrapeBand[0],
      scrape_high_hz: mixture.scrapeBand[1],
      scale,
      settling_percent: scale * Math.max(weighted, 0.25 * unweighted),
    };
  },
};

// A flat list of numbers in the order of the engine: whole ones as BigInt, real ones as Number.
const numbersOf = (kernel, values) => {
  const made = [];
  const put = (sort, value) => {
    const plain = value ?? 0;
    made.push(sort === "whole" ? BigInt(plain) : Number(plain));
  };
  for (const { name, sort, rank } of kernel.settings) {
    if (!(name in values)) throw new SettingError(`this page does not know ${kernel.name}.${name}; open the desk by its command`);
    if (!rank) {
      put(sort, values[name]);
      continue;
    }
    const table = values[name];
    made.push(BigInt(table.length));
    if (rank === 2) made.push(4n);
    for (const value of table.flat()) put(sort, value);
  }
  return made;
};

// The settings of a stage, checked; and its numbers.
const ownOf = (values) => {
  const declared = data.kinds[values.kind];
  if (!declared) throw new SettingError(`kind is ${values.kind ?? "missing"}, but must be one of: ${Object.keys(data.kinds).join(", ")}`, "kind");
  const given = Object.fromEntries(Object.entries(values).filter(([key]) => key !== "kind" && !(key in data.stage)));
  const own = checkedTable(given, declared.fields);
  for (const [key, field] of Object.entries(data.stage)) own[key] = checked(key, values[key], field);
  RULES[values.kind]?.(own, given);
  return own;
};

const kernelOf = (kind) => {
  const name = KERNELS[kind] ?? kind;
  const index = data.engine.findIndex((each) => each.name === name);
  if (index < 0) throw new SettingError(`${kind} cannot play in a page; leave it out here`, "kind");
  return index;
};

// All that a chain is made of, for the engine. Mistakes are thrown, with the path of their stage.
const setupOf = (stages, path = [], setup = { stages: [], groups: [] }) => {
  stages.forEach((stage, index) => {
    const here = [...path, index];
    try {
      const values = stage.values;
      const inner = values.kind === "chain";
      const own = inner ? Object.fromEntries(Object.entries(data.stage).map(([key, field]) => [key, checked(key, values[key], field)])) : ownOf(values);
      if (own.bypass) return;
      const first = setup.stages.length;
      const place = setup.groups.length;
      const share = own.mix_percent / 100;
      if (inner) {
        setupOf(stage.stages, here, setup);
        if (setup.stages.length > first) setup.groups.splice(place, 0, [first, setup.stages.length, share]);
        return;
      }
      const kind = kernelOf(values.kind);
      const kernel = data.engine[kind];
      const numbers = numbersOf(kernel, (NUMBERS[kernel.name] ?? ((same) => same))(own));
      setup.stages.push({ kind, numbers, still: own.speed_error_percent ? stillNumbers(kernel, own) : [], own, path: here, sort: values.kind });
      if (share < 1) setup.groups.push([first, first + 1, share]);
    } catch (error) {
      error.path ??= here;
      throw error;
    }
  });
  return setup;
};

// The same tape without its movements, which stands beside a tape at the wrong speed where that is mixed.
const stillNumbers = (kernel, own) => {
  const still = {
    ...Object.fromEntries(Object.entries(data.kinds.wow_flutter.fields).map(([name, field]) => [name, field.optional ? null : field.default])),
    weighted_flutter_percent: 0,
    speed_error_percent: own.speed_error_percent,
    reader_taps: own.reader_taps,
    rotating_parts: own.rotating_parts,
    tape_speed_cm_s: own.tape_speed_cm_s,
  };
  return numbersOf(kernel, NUMBERS.wow_flutter(still));
};
