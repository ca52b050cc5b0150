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

const gainOf = (decibels) => 10 ** (decibels / 20);
const decibelsOf = (gain) => 20 * Math.log10(Math.max(gain, 1e-10));

// A number for people: as few digits as say what it is.
const spoken = (value, digits = 3) => {
  if (typeof value === "bigint") return String(value).replace("-", "\u2212");
  if (Number.isInteger(value) && Math.abs(value) < 1e6) return String(value).replace("-", "\u2212");
  return String(Number(Number(value).toPrecision(digits))).replace("-", "\u2212");
};

const bytesOf = (text) => Uint8Array.from(atob(text), (character) => character.charCodeAt(0));

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

// The name of a setting in words, without the unit that ends it.
const inWords = (name) => {
  const ending = ENDINGS.find((each) => name.endsWith(each));
  const bare = ending && ending !== "_per_minute" && name.length > ending.length ? name.slice(0, -ending.length) : name;
  const words = bare.replaceAll("_", " ").replace(/^at (\d+) hz$/, "at $1 Hz");
  const known = { thd: "THD", mol: "3 % level (MOL)", "sol 10khz": "10 kHz limit (SOL)", mix: "Mix" }[words];
  if (name === "hiss_db") return "Hiss level";
  return known ?? words.charAt(0).toUpperCase() + words.slice(1);
};
