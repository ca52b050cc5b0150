// What all parts of the page use: elements, numbers as text, settings by their names.

const at = (id) => document.getElementById(id);

const make = (tag, attributes = {}, ...children) => {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (name === "class") element.className = value;
    else element.setAttribute(name, value === true ? "" : String(value));
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
};

const clamp = (value, low, high) => Math.min(Math.max(value, low), high);

// How many children stand in a row of a holder, each as wide as so many rem or wider: as few rows as can be, all as full as
// each other.
const arrange = (holder, least) => {
  const rem = parseFloat(getComputedStyle(document.documentElement).fontSize);
  const count = Math.max(holder.children.length, 1);
  const most = Math.max(1, Math.floor(holder.clientWidth / (least * rem)));
  holder.style.setProperty("--row", Math.ceil(count / Math.ceil(count / most)));
};

const gainOf = (decibels) => 10 ** (decibels / 20);
const decibelsOf = (gain) => 20 * Math.log10(Math.max(gain, 1e-10));

// A number for people: as few digits as say what it is.
const spoken = (value, digits = 3) => {
  if (typeof value === "bigint") return String(value).replace("-", "\u2212");
  if (Number.isInteger(value) && Math.abs(value) < 1e6) return String(value).replace("-", "\u2212");
  return String(Number(Number(value).toPrecision(digits))).replace("-", "\u2212");
};

// A level for people: to a tenth, as far as anyone hears it.
const spokenDecibels = (value) => value.toFixed(1).replace("-0.0", "0.0").replace("-", "\u2212");

// Plain loops: stems of minutes have many bytes.
const bytesOf = (text) => {
  const raw = atob(text);
  const bytes = new Uint8Array(raw.length);
  for (let i = 0; i < bytes.length; i += 1) bytes[i] = raw.charCodeAt(i);
  return bytes;
};

const ENDINGS = ["_db_per_octave", "_per_minute", "_cm_s", "_seconds", "_percent", "_dbfs", "_degrees", "_urad", "_hz", "_db", "_us", "_um", "_mm", "_ms"];

const KINDS_IN_WORDS = {
  fdn_reverb: "Reverberation",
  preamp_drive: "Preamplifier drive",
  tape_magnetisation: "Magnetisation",
  wow_flutter: "Wow and flutter",
  amplitude_flutter: "Amplitude flutter",
  tape_noise: "Tape noise",
  print_through: "Print-through",
  start_stop: "Starts and stops",
};
const kindInWords = (kind) => KINDS_IN_WORDS[kind] ?? inWords(kind);

// Names of settings that say too little without their unit, or stand for a term.
const SETTINGS_IN_WORDS = {
  thd_percent: "THD",
  mol_db: "3 % level (MOL)",
  sol_10khz_db: "10 kHz limit (SOL)",
  mix_percent: "Mix",
  hiss_db: "Hiss level",
  room_seed: "Room",
  modulation_hz: "Modulation rate",
  modulation_noise_hz: "Modulation noise width",
  random_db: "Random part",
  random_percent: "Random part",
  random_low_hz: "Random part from",
  random_high_hz: "Random part up to",
  random_band_hz: "Random part, band",
  random_slope_db_per_octave: "Random part, slope",
  scrape_percent: "Scrape flutter",
  scrape_band_hz: "Scrape flutter, band",
  wander_low_hz: "Wander from",
  wander_high_hz: "Wander up to",
  dropout_least_db: "Shallowest dropout",
  dropout_most_db: "Deepest dropout",
  dropout_shortest_ms: "Shortest dropout",
  dropout_longest_ms: "Longest dropout",
};

// A choice in words.
const CHOICES_IN_WORDS = { a: "A-weighted", itu468: "ITU-R 468" };
const choiceInWords = (choice) => CHOICES_IN_WORDS[choice] ?? String(choice).replaceAll("_", " ");

// The name of a setting in words, without the unit that ends it.
const inWords = (name) => {
  if (name in SETTINGS_IN_WORDS) return SETTINGS_IN_WORDS[name];
  const ending = ENDINGS.find((each) => name.endsWith(each));
  const bare = ending && ending !== "_per_minute" && name.length > ending.length ? name.slice(0, -ending.length) : name;
  const words = bare.replaceAll("_", " ").replace(/^at (\d+) hz$/, "at $1 Hz");
  return words.charAt(0).toUpperCase() + words.slice(1);
};

// A sentence about a setting, in which others go by the names that they have on this page.
const sentenceInWords = (sentence) => sentence.replaceAll(/\b[a-z0-9]+(?:_[a-z0-9]+)+\b/g, (name) => `\u201c${inWords(name)}\u201d`);
