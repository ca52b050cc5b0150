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

const timeConstant = (own, event) => event.time_constant_seconds ?? (event.action === "start" ? own.start_seconds : own.stop_seconds);

const RULES = {
  preamp_drive(own) {
    refuse(own.drive_db !== null && own.thd_percent !== null, "drive_db and thd_percent are both set, but one follows from the other; leave one of them out", "thd_percent");
    if (own.thd_percent !== null) {
      const [least, most] = [-40, 60].map((drive) => figureOf("preamp_drive", { ...own, drive_db: drive, thd_percent: null }, "thd_percent", own.reference_level_dbfs));
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
    const rise = ((0.01 * own.periodic_percent * peaks + (3 / TWO_SIGMA) * own.random_db) * 20000) / own.spacing_frequency_hz;
    refuse(own.mode === "spacing" && rise > 40, "in spacing mode 20 kHz would rise by more than 40 dB; lower random_db or the peaks, or raise spacing_frequency_hz", "random_db");
  },
  tape_noise(own, given) {
    refuse(own.bass_time_constant_us > 0 && own.bass_time_constant_us < 500, "bass_time_constant_us must be 0 (none), or 500 or more", "bass_time_constant_us");
    refuse(own.hiss_db !== null && own.track_width_mm !== null, "hiss_db and track_width_mm are both set, but the width only sets the level of the hiss; leave one out", "track_width_mm");
    refuse(own.hiss_db === null && given.hiss_weighting !== undefined, "hiss_weighting is set, but hiss_db, which it is about, is left out; set hiss_db, or leave it out", "hiss_weighting");
  },
  crosstalk(own) {
    const seconds = (0.1 * own.guard_mm) / own.tape_speed_cm_s;
    refuse(own.fringing_db > -120 && seconds > 0.008, `the tape takes ${spoken(1e3 * seconds)} ms for guard_mm, but must take 8 ms at most; set fringing_db to \u2212120 (none), or lower guard_mm`, "guard_mm");
  },
  head_azimuth(own) {
    const [low, high] = [own.wander_low_hz, own.wander_high_hz];
    refuse(!(1.25 * low <= high && high <= 200 * low), "the edges of the wander must be 1.25 to 200 times apart; move one of them", "wander_high_hz");
    const steepest = Math.abs(own.azimuth_urad) + (8 / TWO_SIGMA) * own.wander_urad;
    const passing = ((1e5 * own.track_width_mm) / own.tape_speed_cm_s) * Math.tan(1e-6 * steepest);
    refuse(passing > 200, `a track takes up to ${spoken(passing)} \u00b5s to pass the slanted gap, but must take 200 \u00b5s at most; lower azimuth_urad or wander_urad`, "azimuth_urad");
  },
  print_through(own) {
    refuse(own.full_radius_mm < own.hub_radius_mm, "the outermost turn lies inside the innermost; swap full_radius_mm and hub_radius_mm", "full_radius_mm");
    const turn = (0.2 * Math.PI * own.full_radius_mm) / own.tape_speed_cm_s;
    refuse(turn > 12, `the outermost turn lasts ${spoken(turn)} s, but may last 12 s at most; lower full_radius_mm, or raise tape_speed_cm_s`, "full_radius_mm");
  },
  splices(own, given) {
    for (const { blank, shift_seconds: shift } of given.splices ?? []) {
      refuse(blank === true && shift !== undefined, "shift_seconds is set of a piece that is blank, and blank tape has nothing to shift; leave one out", "splices");
    }
    const passing = (0.1 / (Math.tan((own.angle_degrees * Math.PI) / 180) * own.tape_speed_cm_s)) * own.track_width_mm;
    own.splices.slice(1).forEach((splice, before) => {
      refuse(!(splice.at_seconds - own.splices[before].at_seconds >= passing), `splice ${before + 2} must come ${spoken(passing)} s or more after the one before it; put them in order and further apart`, "splices");
    });
  },
  start_stop(own) {
    own.events.slice(1).forEach((event, index) => {
      const before = own.events[index];
      refuse(event.action === before.action, `events ${index + 1} and ${index + 2} are both ${event.action}, but starts and stops must take turns; leave one out`, "events");
      refuse(event.at_seconds <= before.at_seconds, `event ${index + 2} must come after the one before it; put them in order`, "events");
      const rest = before.at_seconds + timeConstant(own, before) * Math.log(2.3 / 0.01) + 1e-6 * 20 * own.bass_time_constant_us;
      refuse(event.action === "start" && event.at_seconds < rest, `event ${index + 2} starts the tape, but it is at rest only from ${spoken(rest, 6)} s on; start it later, or stop it faster`, "events");
    });
  },
  tape_response(own, given) {
    refuse(own.bass_time_constant_us > 0 && own.bass_time_constant_us < 500, "bass_time_constant_us must be 0 (none), or 500 or more", "bass_time_constant_us");
    const passing = (0.1 * own.face_length_mm) / own.tape_speed_cm_s;
    refuse(0.5 * passing > 0.05, `the face of the head passes in ${spoken(passing)} s, but may take 0.1 s at most; lower face_length_mm, or raise tape_speed_cm_s`, "face_length_mm");
    refuse(own.bump_db !== null && given.poles !== undefined, "bump_db and poles are both set, but both tell the height of the rise; leave one of them out", "bump_db");
    refuse(own.record_loss_um !== null && own.sol_10khz_db !== null, "record_loss_um and sol_10khz_db are both set, but one follows from the other; leave one of them out", "sol_10khz_db");
    refuse(own.sol_10khz_db !== null && given.spacing_um !== undefined, "spacing_um and sol_10khz_db are both set, but the distance follows from the latter; leave spacing_um out", "spacing_um");
    if (own.sol_10khz_db !== null) {
      const [best, worst] = [0, 20].map((loss) => figureOf("tape_response", { ...own, sol_10khz_db: null, response_tolerance_db: null, record_loss_um: loss, spacing_um: 0 }, "sol_db"));
      refuse(!(worst <= own.sol_10khz_db && own.sol_10khz_db <= best), `sol_10khz_db is ${spoken(own.sol_10khz_db)} dB, but with these losses and mol_db it can be from ${spoken(worst)} to ${spoken(best)} dB; change it, or mol_db`, "sol_10khz_db");
    }
    if (own.response_tolerance_db !== null) {
      refuse(given.boost_limit_db !== undefined, "boost_limit_db and response_tolerance_db are both set, but one follows from the other; leave one of them out", "response_tolerance_db");
      const limit = figureOf("tape_response", own, "boost_limit_db");
      refuse(!(limit >= 0 && limit <= 40), `with these losses the response cannot fall by ${spoken(own.response_tolerance_db)} dB at ${spoken(own.response_to_hz)} Hz; change response_tolerance_db, or response_to_hz`, "response_tolerance_db");
    }
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

// A table of rows, which knows how wide it is when it has none.
const rowsOf = (columns, rows) => ({ columns, rows });

// Of kinds whose numbers are not just their settings. A switch is 1 or 0, what is left out is 0.
const NUMBERS = {
  preamp_drive: (own) => ({ ...own, most_oversampling: 12, drive_given: given01(own.drive_db), thd_given: given01(own.thd_percent) }),
  tape_magnetisation: (own) => ({ ...own, most_oversampling: 12, drive_given: given01(own.drive_db), mol_given: given01(own.mol_db) }),
  fdn_reverb(own) {
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
    periodic_parts: rowsOf(4, own.periodic_parts.map((part) => [part.rate_hz, part.peak_db, part.phase_degrees ?? 0, given01(part.phase_degrees)])),
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
  // An angle that no instrument could tell from none is none.
  head_azimuth: (own) => ({ ...own, azimuth_urad: Math.abs(own.azimuth_urad) > 1e-9 ? own.azimuth_urad : 0 }),
  print_through: (own) => ({ ...own, heads_out: own.stored === "heads_out" }),
  splices: (own) => ({ ...own, splices: rowsOf(3, own.splices.map((splice) => [splice.at_seconds, splice.shift_seconds, splice.blank])) }),
  start_stop: (own) => ({
    events: rowsOf(3, own.events.map((event) => [event.action === "stop" ? 0 : own.start_law === "cued" ? 1 : 2, event.at_seconds, timeConstant(own, event)])),
    treble_us: own.treble_time_constant_us,
    bass_us: own.bass_time_constant_us,
  }),
  tape_response: (own) => ({
    ...own,
    "medium.tape_speed_cm_s": own.tape_speed_cm_s,
    "medium.treble_us": own.treble_time_constant_us,
    "medium.coating_um": own.coating_um,
    "medium.spacing_um": own.sol_10khz_db === null ? own.spacing_um : 0,
    "medium.gap_um": own.gap_um,
    "medium.boost_limit_db": own.boost_limit_db,
    "medium.tolerance_db": own.response_tolerance_db ?? 0,
    "medium.tolerance_to_hz": own.response_to_hz,
    bass_us: own.bass_time_constant_us,
    face_mm: own.face_length_mm,
    bump_set: given01(own.bump_db),
    thin_poles: own.poles === "thin",
    record_loss_um: own.record_loss_um ?? 0.5,
    sol_set: given01(own.sol_10khz_db),
    sol_db: own.sol_10khz_db,
  }),
  wow_flutter(own) {
    const mixture = mixtureOf(own);
    const [weighted, unweighted] = flutterFigures(own);
    const wanted = wantedFlutter(own);
    return {
      ...own,
      parts: rowsOf(4, mixture.parts.map((part) => {
        const turns = (part.phase_degrees ?? 0) / 360;
        return [turnsPerSecond(part, mixture.speed), part.peak_percent, turns - Math.floor(turns), given01(part.phase_degrees)];
      })),
      random_percent: mixture.random,
      random_slope_db_per_octave: mixture.slope,
      random_low_hz: mixture.band[0],
      random_high_hz: mixture.band[1],
      scrape_low_hz: mixture.scrapeBand[0],
      scrape_high_hz: mixture.scrapeBand[1],
      weighted_flutter_percent: wanted ?? 0,
      scaled: given01(wanted),
      figure_percent: weighted,
      wide_figure_percent: unweighted,
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
    const { columns, rows } = rank === 2 ? table : { rows: table };
    made.push(BigInt(rows.length));
    if (rank === 2) made.push(BigInt(columns));
    for (const value of rows.flat()) put(sort, value);
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

// Settings that move under another name in the engine.
const MOVED_AS = { modulation_noise_db: "skirt_db" };

// Places of a curve on the tape in samples, in order.
const placesOf = (points, name) => {
  const wrong = (rule) => refuse(true, `the curve of ${name} ${rule}`, "automation");
  if (!points.length) wrong("has no points; give it one or more");
  if (points.some(({ seconds, samples }) => (seconds === null) === (samples === null))) wrong("has a point without one time: give either seconds or samples");
  if (new Set(points.map((point) => point.samples === null)).size > 1) wrong("has points in seconds and in samples; give all in one unit");
  const places = points.map((point) => (point.samples === null ? point.seconds * data.rate : Number(point.samples)));
  if (places.some((place, index) => index && place < places[index - 1])) wrong("has a point behind a later one; put points in order of time");
  return places;
};

// The curves of a stage, checked: name, places, values, shapes.
const curvesOf = (values, own) => {
  const seen = new Set();
  return own.automation.map(({ setting: name, points }) => {
    refuse(seen.has(name), `automation has two curves for ${name}; make them one`, "automation");
    seen.add(name);
    const able = [...(data.kinds[values.kind]?.moves ?? []), "mix_percent"];
    refuse(!able.includes(name), `${name} of ${values.kind} cannot follow a curve; these can: ${able.join(", ")}`, "automation");
    const places = placesOf(points, name);
    for (const value of new Set(points.map((point) => point.value))) {
      try {
        if (name === "mix_percent") checked(name, value, data.stage.mix_percent);
        else ownOf({ ...values, [name]: value });
      } catch (error) {
        refuse(true, `a point of the curve of ${name} cannot be: ${error.message}`, "automation");
      }
    }
    return { name, places, values: points.map((point) => point.value), shapes: points.map((point) => point.shape) };
  }).map((curve, _, curves) => {
    const figure = own.weighted_flutter_percent != null || curves.some((each) => each.name === "weighted_flutter_percent");
    refuse(figure && ["random_percent", "scrape_percent"].includes(curve.name), `${curve.name} cannot follow a curve here: weighted_flutter_percent scales all that moves to its figure; let that follow a curve, or leave it out`, "automation");
    return curve;
  });
};

// The stage with its curves at those of their ends for which it needs most memory: it is made for what comes.
const madeForCurves = (stage, values, curves) => {
  const number = (own) => ({ ...stage, plain: stage.numbers, ends, numbers: numbersOf(data.engine[stage.kind], NUMBERS[values.kind]?.(own) ?? own) });
  const ends = curves.reduce((some, { name, values: course }) => some.flatMap((one) => [Math.min(...course), Math.max(...course)].map((value) => ({ ...one, [name]: value }))), [{}]).map((given) => ownOf({ ...values, ...given }));
  const bytes = (one) => solver.bytes({ stages: [one], groups: [] }, { rate: data.rate, channels: 1 });
  return ends.map(number).reduce((most, one) => (bytes(one) > bytes(most) ? one : most));
};

// What the suite's reader asks of a text beside its stages.
const checkTop = (values) => {
  const { keys, format } = data.rules;
  for (const key of Object.keys(values)) refuse(!keys.includes(key), `${key} is not known in a preset; known: ${keys.join(", ")}`, key);
  refuse(values.format === undefined, `'format' is required; write format = ${format}`);
  refuse(values.format !== format, `format is ${values.format}, but must be ${format}`, "format");
  const { purpose, tags = [] } = values;
  refuse(purpose !== undefined && typeof purpose !== "string", `purpose is ${purpose}, but must be a sentence in quotation marks`, "purpose");
  refuse(!Array.isArray(tags) || !tags.every((tag) => typeof tag === "string" && tag.trim()), "tags must be a list of words", "tags");
};

// The name of a stage, which no other beside it may have.
const checkName = (stages, index) => {
  const { name } = stages[index].values;
  if (typeof name !== "string") return;
  const good = name.trim() && [...name].every((character) => data.rules.name_marks.includes(character) || /[\p{L}\p{N}]/u.test(character));
  refuse(!good, `name is '${name}', but must be ${data.rules.name_rule}`, "name");
  const times = stages.filter(({ values }) => values.name === name).length;
  refuse(times > 1 && stages.slice(0, index).some(({ values }) => values.name === name), `stage names must differ, but '${name}' stands ${times} times; rename one`, "name");
};

// All that a preset is made of; see below.
const setupOfPreset = (root) => {
  checkTop(root.values);
  refuse(!root.stages.length, "a chain needs one or more [[stages]]");
  return setupOf(root.stages);
};

// All that a chain is made of, for the engine. Mistakes are thrown, with the path of their stage.
const setupOf = (stages, path = [], setup = { stages: [], groups: [], curves: [], off: [], nodes: [] }, { nodes } = setup) => {
  stages.forEach((stage, index) => {
    const here = [...path, index];
    try {
      const values = stage.values;
      checkName(stages, index);
      const inner = values.kind === "chain";
      const own = inner ? Object.fromEntries(Object.entries(data.stage).map(([key, field]) => [key, checked(key, values[key], field)])) : ownOf(values);
      if (own.bypass) {
        if (!inner) setup.off.push({ path: here, own }); // what it would be is shown
        return;
      }
      const first = setup.stages.length;
      const place = setup.groups.length;
      const curves = curvesOf(values, own).map((curve) => ({ ...curve, path: here }));
      const moving = curves.find((curve) => curve.name === "mix_percent");
      // What is made whole cannot be mixed later.
      const share = moving ? 0.5 : own.mix_percent / 100;
      const mix = (behind) => {
        const group = [first, behind, share];
        setup.groups.splice(inner ? place : setup.groups.length, 0, group);
        if (moving) setup.curves.push({ ...moving, stage: first, setting: null, mixed: group });
      };
      const away = moving ? Math.max(...moving.values) === 0 : share === 0; // its input alone is heard
      if (inner) {
        const node = { first, away, nodes: [] };
        setupOf(stage.stages, here, setup, node);
        node.behind = setup.stages.length;
        if (node.behind === first) return;
        mix(node.behind);
        nodes.push({ ...node, group: setup.groups[place] });
        return;
      }
      const kind = kernelOf(values.kind);
      const kernel = data.engine[kind];
      const numbers = numbersOf(kernel, NUMBERS[values.kind]?.(own) ?? own);
      const plain = { kind, numbers, still: own.speed_error_percent ? stillNumbers(kernel, own) : [], own, ends: [own], path: here, sort: values.kind };
      const followed = curves.filter((curve) => curve !== moving);
      setup.stages.push(followed.length ? madeForCurves(plain, values, followed) : plain);
      for (const curve of followed) {
        const setting = kernel.settings.findIndex(({ name }) => name === (MOVED_AS[curve.name] ?? curve.name));
        setup.curves.push({ ...curve, stage: first, setting, mixed: null });
      }
      nodes.push({ first, behind: first + 1, away, stage: setup.stages[first] });
      if (share < 1) mix(first + 1);
    } catch (error) {
      error.path ??= here;
      throw error;
    }
  });
  for (const curve of setup.curves) curve.group = curve.mixed && setup.groups.indexOf(curve.mixed);
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

// Stems lie on tracks in their order, which a head that says how many it has must hold.
const refuseMissingTracks = (setup, stems) => {
  for (const { sort, own, path } of setup.stages) {
    if (sort !== "head_azimuth" || !own.tracks) continue;
    const track = stems.findIndex(({ channels }, index) => own.tracks < index + channels);
    if (track < 0) continue;
    const { channels } = stems[track];
    throw Object.assign(new SettingError(`the head has ${own.tracks} track${own.tracks > 1 ? "s" : ""}, but ${stems[track].name} has ${channels} channel${channels > 1 ? "s" : ""} from track ${track} on and needs ${track + channels}; raise tracks, or set it to 0`, "tracks"), { path });
  }
};
