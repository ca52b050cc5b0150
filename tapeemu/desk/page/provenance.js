// What a rendered file says of itself: the comment that those of `tapeemu process` carry.

const LONGEST_COMMENT = 6000;

// A number as Python writes it: the same digits, another form of powers of ten.
const pythonNumber = (value) => {
  if (Number.isInteger(value) && Math.abs(value) < 1e16) return Object.is(value, -0) ? "-0.0" : `${value}.0`;
  const size = Math.abs(value);
  if (size >= 1e-4 && size < 1e16) return String(value);
  return value.toExponential().replace(/e([+-])(\d)$/, "e$10$2");
};

const asciiText = (text) =>
  [...text].map((letter) => {
    const code = letter.codePointAt(0);
    if (code < 128) return letter;
    if (code < 256) return `\\x${code.toString(16)}`;
    return code < 65536 ? `\\u${code.toString(16).padStart(4, "0")}` : `\\U${code.toString(16).padStart(8, "0")}`;
  }).join("");

const quoted = (text) => JSON.stringify(text).replaceAll(/[\u0080-\uffff]/g, (unit) => `\\u${unit.charCodeAt(0).toString(16).padStart(4, "0")}`);

// A value as JSON, by its declaration.
const written = (value, field) => {
  switch (field.type) {
    case "number":
      return pythonNumber(Number(value));
    case "pair":
      return `[${value.map((each) => pythonNumber(Number(each))).join(", ")}]`;
    case "table":
      return `{${writtenFields(value, field.fields).join(", ")}}`;
    case "tables":
      return `[${value.map((each) => `{${writtenFields(each, field.fields).join(", ")}}`).join(", ")}]`;
    default:
      return typeof value === "string" ? quoted(value) : String(value);
  }
};

// Settings that differ from their defaults, in the order of their declaration.
const writtenFields = (own, fields) =>
  Object.entries(fields).flatMap(([name, field]) => {
    const value = own[name];
    if (value === null || value === undefined) return [];
    const text = written(value, field);
    return field.default !== null && !field.required && text === written(field.default, field) ? [] : [`"${name}": ${text}`];
  });

// Names of stages as a chain gives them: those without one after their kind, with a number where that is taken.
const namesOf = (stages) => {
  const taken = new Set(stages.map(({ values }) => values.name).filter(Boolean));
  return stages.map(({ values: { name, kind } }) => {
    let made = name || kind;
    for (let number = 2; !name && taken.has(made); number += 1) made = `${kind}_${number}`;
    taken.add(made);
    return made;
  });
};

const writtenChain = (stages) => {
  const names = namesOf(stages);
  const tables = stages.map(({ values, stages: inner }, index) => {
    const own = Object.fromEntries(Object.entries(data.stage).map(([key, field]) => [key, checked(key, values[key], field)]));
    const parts = [`"kind": ${quoted(values.kind)}`, ...writtenFields({ ...own, name: names[index] }, data.stage)];
    return `{${[...parts, ...(values.kind === "chain" ? [writtenChain(inner)] : writtenFields(ownOf(values), data.kinds[values.kind].fields))].join(", ")}}`;
  });
  return `"stages": [${tables.join(", ")}]`;
};

// Whether what is heard of a chain sounds by itself, without end.
const setupSounds = (setup) => setup.nodes.some((node) => !node.away && nodeSounds(node));

// What was made of a stem on a track: by what version, preset and chain, and what was cut.
const provenanceOf = (stages, setup, preset, track) => {
  const made = `Made by tapeemu ${data.version}`;
  const parts = [made, `preset ${preset}`, `order ${namesOf(stages).join(",")}`, "seed of the preset", "start 0 s"];
  if (track && setup.stages.some(hearsItsTrack)) parts.push(`track ${track}`);
  if (setupSounds(setup)) parts.push("its noise has no end and is cut at that of the file");
  parts.push(`chain {${writtenChain(stages)}}`);
  const text = asciiText(parts.join("; ").trim().split(/\s+/).join(" "));
  return text.length <= LONGEST_COMMENT ? text : `${made}; settings too long for a comment`;
};
