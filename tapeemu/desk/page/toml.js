// The text of a preset is the one truth of the desk: strips read it, and every change is a change of this text.
// So comments, order of keys and blank lines stay. Read is the part of TOML that presets use.

class TextError extends Error {
  constructor(message, line) {
    super(message);
    this.line = line;
  }
}

class PresetText {
  constructor(text) {
    this.text = text;
    this.at = 0;
    this.root = { values: {}, spans: {}, stages: [] };
    this.blocks = []; // tables by their headers, in order: where each begins and ends
    this.read();
  }

  // ------------------------------------------------------------ reading
  line(place = this.at) {
    return this.text.slice(0, place).split("\n").length;
  }

  fail(message, place = this.at) {
    throw new TextError(message, this.line(place));
  }

  space() {
    while (this.text[this.at] === " " || this.text[this.at] === "\t") this.at += 1;
  }

  blank() {
    for (;;) {
      this.space();
      if (this.text[this.at] === "#") {
        while (this.at < this.text.length && this.text[this.at] !== "\n") this.at += 1;
      }
      if (this.text[this.at] === "\r") this.at += 1;
      if (this.text[this.at] !== "\n") return;
      this.at += 1;
    }
  }

  endOfLine() {
    this.space();
    if (this.text[this.at] === "#") while (this.at < this.text.length && this.text[this.at] !== "\n") this.at += 1;
    if (this.text[this.at] === "\r") this.at += 1;
    if (this.at < this.text.length && this.text[this.at] !== "\n") this.fail("something stands behind the value; one key a line");
  }

  keys() {
    const found = [];
    for (;;) {
      this.space();
      if (this.text[this.at] === '"' || this.text[this.at] === "'") {
        found.push(this.string());
      } else {
        const match = /^[A-Za-z0-9_-]+/.exec(this.text.slice(this.at, this.at + 200));
        if (!match) this.fail("a key must be letters, digits, - and _");
        found.push(match[0]);
        this.at += match[0].length;
      }
      this.space();
      if (this.text[this.at] !== ".") return found;
      this.at += 1;
    }
  }

  string() {
    const quote = this.text[this.at];
    const start = this.at;
    if (this.text.startsWith(quote.repeat(3), this.at)) this.fail("texts of several lines stand in no preset");
    this.at += 1;
    let made = "";
    const escapes = { b: "\b", t: "\t", n: "\n", f: "\f", r: "\r", '"': '"', "\\": "\\" };
    for (;;) {
      const character = this.text[this.at];
      if (character === undefined || character === "\n") this.fail("a text is not closed by its quotation mark", start);
      this.at += 1;
      if (character === quote) return made;
      if (character === "\\" && quote === '"') {
        const escaped = this.text[this.at];
        const digits = { u: 4, U: 8 }[escaped];
        if (digits) {
          const code = this.text.slice(this.at + 1, this.at + 1 + digits);
          if (!/^[0-9a-fA-F]+$/.test(code) || code.length !== digits) this.fail("a text holds an unknown escape");
          made += String.fromCodePoint(parseInt(code, 16));
          this.at += 1 + digits;
        } else {
          if (!(escaped in escapes)) this.fail("a text holds an unknown escape");
          made += escapes[escaped];
          this.at += 1;
        }
      } else {
        made += character;
      }
    }
  }

  value() {
    const character = this.text[this.at];
    if (character === '"' || character === "'") return this.string();
    if (character === "[") return this.list();
    if (character === "{") return this.inlineTable();
    const match = /^[^\s,\]}#]+/.exec(this.text.slice(this.at, this.at + 100));
    const word = match ? match[0] : "";
    if (word === "true" || word === "false") {
      this.at += word.length;
      return word === "true";
    }
    const plain = word.replaceAll("_", "");
    if (/^[+-]?\d+$/.test(plain) && !/^[+-]?0\d/.test(plain)) {
      this.at += word.length;
      const whole = BigInt(plain.replace("+", ""));
      return Number.isSafeInteger(Number(whole)) ? Number(whole) : whole;
    }
    if (/^[+-]?\d+(\.\d+)?([eE][+-]?\d+)?$/.test(plain)) {
      this.at += word.length;
      return Number(plain);
    }
    return this.fail(word ? `${word} is neither a number nor true nor false; texts stand in quotation marks` : "a value is missing");
  }

  // What stands between brackets, one after another with commas between them; `what` names it in messages.
  members(closing, what, one) {
    const start = this.at;
    this.at += 1;
    for (;;) {
      this.blank();
      if (this.at >= this.text.length) this.fail(`a ${what} is not closed by ${closing}`, start);
      if (this.text[this.at] === closing) break;
      one();
      this.blank();
      if (this.text[this.at] === ",") this.at += 1;
      else if (this.text[this.at] !== closing) this.fail(`a comma is missing in a ${what}`);
    }
    this.at += 1;
  }

  list() {
    const made = [];
    this.members("]", "list", () => made.push(this.value()));
    return made;
  }

  inlineTable() {
    const made = {};
    this.members("}", "table", () => {
      const [key, ...more] = this.keys();
      if (more.length) this.fail("dotted keys stand in no table of a preset");
      if (this.text[this.at] !== "=") this.fail("= is missing behind a key");
      this.at += 1;
      this.space();
      made[key] = this.value();
    });
    return made;
  }

  read() {
    let table = this.root;
    table.insertAt = 0;
    for (;;) {
      this.blank();
      if (this.at >= this.text.length) break;
      const begin = this.text.lastIndexOf("\n", this.at - 1) + 1;
      if (this.text[this.at] === "[") {
        const several = this.text[this.at + 1] === "[";
        this.at += several ? 2 : 1;
        const keys = this.keys();
        if (!this.text.startsWith(several ? "]]" : "]", this.at)) this.fail("the name of a table is not closed by ]");
        this.at += several ? 2 : 1;
        this.endOfLine();
        table = this.table(keys, several, begin);
        table.insertAt = this.at;
      } else {
        const keys = this.keys();
        if (this.text[this.at] !== "=") this.fail("= is missing behind a key");
        this.at += 1;
        this.space();
        const start = this.at;
        const value = this.value();
        const end = this.at;
        this.endOfLine();
        if (keys.length > 1) {
          if (table.skipped) continue;
          this.fail("dotted keys stand in no preset; write a table in braces", begin);
        }
        if (keys[0] in table.values) this.fail(`${keys[0]} is given twice`, begin);
        table.values[keys[0]] = value;
        table.spans[keys[0]] = { line: begin, start, end, behind: this.at };
        table.insertAt = this.at;
      }
    }
    this.settle();
  }

  table(keys, several, begin) {
    const block = { begin, keys };
    this.blocks.push(block);
    if (keys[0] === "measured") {
      block.measured = true;
      return { values: {}, spans: {}, skipped: true };
    }
    if (keys[0] !== "stages") this.fail(`${keys.join(".")} is no table of a preset`, begin);
    let list = this.root.stages;
    let depth = 1;
    let owner = null;
    while (depth < keys.length && keys[depth] === "stages") {
      owner = list.at(-1);
      if (!owner) this.fail("a stage within a stage stands before any stage", begin);
      list = owner.stages;
      depth += 1;
    }
    if (depth === keys.length) {
      if (!several) this.fail("stages stand in double brackets: [[stages]]", begin);
      const stage = { values: {}, spans: {}, stages: [], block, depth };
      block.stage = stage;
      list.push(stage);
      return stage;
    }
    const stage = list.at(-1);
    if (!stage || keys.length !== depth + 1) this.fail(`${keys.join(".")} is no table of a preset`, begin);
    const name = keys[depth];
    const inner = { values: {}, spans: {}, stages: [] };
    block.inner = name;
    block.table = inner;
    if (several) (stage.values[name] ??= []).push(inner.values);
    else stage.values[name] = inner.values;
    stage.spans[name] = { line: begin, blocks: [...(stage.spans[name]?.blocks ?? []), block] };
    return inner;
  }

  // Where blocks begin, comments right above them included, and where they end.
  settle() {
    for (const block of this.blocks) {
      let begin = block.begin;
      for (;;) {
        const above = this.text.lastIndexOf("\n", begin - 2) + 1;
        if (begin === 0 || !this.text.slice(above, begin).trim().startsWith("#")) break;
        begin = above;
      }
      block.from = begin;
    }
    this.blocks.forEach((block, index) => {
      block.to = this.blocks[index + 1]?.from ?? this.text.length;
    });
  }

  // ------------------------------------------------------------ finding
  stage(path) {
    return path.reduce((holder, index) => holder.stages[index], this.root);
  }

  siblings(path) {
    return this.stage(path.slice(0, -1)).stages;
  }

  // From where to where a stage stands, with all that is in it.
  extent(stage) {
    const first = this.blocks.indexOf(stage.block);
    let last = first;
    while (last + 1 < this.blocks.length) {
      const next = this.blocks[last + 1];
      const depth = next.keys.filter((key) => key === "stages").length;
      if (next.measured || (next.stage && depth <= stage.depth)) break;
      last += 1;
    }
    return [this.blocks[first].from, this.blocks[last].to];
  }

  // ------------------------------------------------------------ changing; each gives the new text
  cut(from, to, text = "") {
    return this.text.slice(0, from) + text + this.text.slice(to);
  }

  withValue(path, key, literal) {
    const table = path.length ? this.stage(path) : this.root;
    const span = table.spans[key];
    if (span && span.blocks) return new PresetText(this.without(path, key)).withValue(path, key, literal);
    if (span) return this.cut(span.start, span.end, literal);
    const head = table.insertAt === 0 ? "" : "\n";
    return this.cut(table.insertAt, table.insertAt, `${head}${key} = ${literal}${head ? "" : "\n"}`);
  }

  without(path, key) {
    const table = path.length ? this.stage(path) : this.root;
    const span = table.spans[key];
    if (!span) return this.text;
    if (span.blocks) {
      return [...span.blocks].reverse().reduce((text, block) => text.slice(0, block.from) + text.slice(block.to), this.text);
    }
    const next = this.text.indexOf("\n", span.behind);
    return this.cut(span.line, next < 0 ? this.text.length : next + 1);
  }

  moved(path, to) {
    const list = this.siblings(path);
    const from = path.at(-1);
    const parts = list.map((stage) => {
      const [begin, end] = this.extent(stage);
      return this.text.slice(begin, end).replace(/\s*$/, "\n");
    });
    const [start] = this.extent(list[0]);
    const [, end] = this.extent(list.at(-1));
    const [part] = parts.splice(from, 1);
    parts.splice(to, 0, part);
    const rest = this.text.slice(end);
    return `${this.text.slice(0, start)}${parts.join("\n")}${rest ? "\n" : ""}${rest}`;
  }

  // The curve that a setting of a stage follows gets other points; a new one where there was none.
  withCurve(path, setting, points) {
    const stage = this.stage(path);
    const list = stage.values.automation ?? [];
    const index = list.findIndex((curve) => curve.setting === setting);
    const { blocks } = stage.spans.automation ?? { blocks: [] };
    if (!blocks) {
      const curve = { setting, points };
      return this.withValue(path, "automation", literalOf(index < 0 ? [...list, curve] : list.with(index, curve), false));
    }
    const span = blocks[index]?.table.spans.points;
    if (span && !span.blocks) return this.cut(span.start, span.end, literalOf(points, false));
    if (span) return new PresetText(this.withoutCurve(path, setting)).withCurve(path, setting, points);
    const name = [...Array(path.length).fill("stages"), "automation"].join(".");
    const first = this.blocks.indexOf(stage.block);
    let last = first;
    while (this.blocks[last + 1]?.inner !== undefined) last += 1;
    const place = this.blocks[last].to;
    const rest = this.text.slice(place);
    const block = `[[${name}]]\nsetting = ${literalOf(setting)}\npoints = ${literalOf(points, false)}\n`;
    return `${this.text.slice(0, place).replace(/\s*$/, "\n")}\n${block}${rest ? "\n" : ""}${rest}`;
  }

  withoutCurve(path, setting) {
    const stage = this.stage(path);
    const list = stage.values.automation ?? [];
    const index = list.findIndex((curve) => curve.setting === setting);
    if (index < 0) return this.text;
    const { blocks } = stage.spans.automation;
    if (!blocks) {
      const others = list.toSpliced(index, 1);
      return others.length ? this.withValue(path, "automation", literalOf(others, false)) : this.without(path, "automation");
    }
    const block = blocks[index];
    let last = this.blocks.indexOf(block);
    while (this.blocks[last + 1]?.keys.length > block.keys.length) last += 1;
    return this.cut(block.from, this.blocks[last].to);
  }

  withStage(kind, name) {
    const measured = this.blocks.find((block) => block.measured);
    const place = measured ? measured.from : this.text.length;
    const head = this.text.slice(0, place).replace(/\s*$/, "\n");
    const rest = this.text.slice(place);
    return `${head}\n[[stages]]\nname = ${literalOf(name)}\nkind = ${literalOf(kind)}\n${rest ? "\n" : ""}${rest}`;
  }

  withoutStage(path) {
    return this.cut(...this.extent(this.stage(path)));
  }
}

// A value as TOML has it. Numbers of settings that are no whole ones keep their point.
const literalOf = (value, whole = true) => {
  if (typeof value === "string") return JSON.stringify(value).replaceAll("\u007f", "\\u007f");
  if (typeof value === "boolean" || typeof value === "bigint") return String(value);
  if (typeof value === "number") {
    const text = String(value);
    return whole || !Number.isInteger(value) || /[eE]/.test(text) ? text : `${text}.0`;
  }
  if (Array.isArray(value)) {
    const items = value.map((each) => literalOf(each, whole));
    return value.some((each) => typeof each === "object") ? `[\n${items.map((item) => `    ${item},\n`).join("")}]` : `[${items.join(", ")}]`;
  }
  return `{${Object.entries(value).map(([key, each]) => `${key} = ${literalOf(each, whole)}`).join(", ")}}`;
};
