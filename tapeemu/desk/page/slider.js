// One setting as a slider with a field beside it: dragged, typed, or moved by keys, in its own unit.

// How a range lies along a slider: by ratios where it spans many, near zero finer where it begins there.
const scaleOf = (field) => {
  const low = Number(field.ge ?? field.gt ?? 0);
  const high = Number(field.le ?? field.lt ?? 1);
  if (low > 0 && high / low >= 20) {
    const span = Math.log(high / low);
    return { low, high, to: (share) => low * Math.exp(share * span), from: (value) => Math.log(Math.max(value, low) / low) / span };
  }
  if (low === 0 && high > 0 && ["%", "s", "ms", "1/min", "µs"].includes(field.unit) && !(field.unit === "%" && high === 100 && field.gt === null)) {
    return { low, high, to: (share) => high * share ** 3, from: (value) => Math.cbrt(Math.max(value, 0) / high) };
  }
  return { low, high, to: (share) => low + share * (high - low), from: (value) => (value - low) / (high - low) };
};

// A value as fine as a slider should give it.
const tidy = (value, field, fine = false) => {
  if (field.type === "whole") return Math.round(value);
  const span = Number(field.le ?? field.lt ?? 1) - Number(field.ge ?? field.gt ?? 0);
  const size = Math.max(Math.abs(value), span / 5000, 1e-9);
  const digits = (fine ? 3 : 2) - Math.floor(Math.log10(size)) - 1;
  const step = 10 ** -clamp(digits, -2, 6);
  return Number((Math.round(value / step) * step).toPrecision(12));
};

class Slider {
  // field: its declaration; shown: what holds where the setting is left out, as a number or a word; set, clear: callbacks;
  // extra: elements below.
  constructor({ id, label, field, set, clear, began, sense, extra = [] }) {
    this.label = label;
    this.field = field;
    this.scale = scaleOf(field);
    this.set = set;
    this.clear = clear;
    this.began = began;
    this.value = null;
    this.fallback = null;
    this.fill = make("span", { class: "fill" });
    this.thumb = make("span", { class: "thumb" });
    this.tick = make("span", { class: "tick", "aria-hidden": "true" });
    this.groove = make(
      "div",
      {
        class: "groove",
        id,
        role: "slider",
        tabindex: 0,
        "aria-labelledby": `${id}-label`,
        "aria-describedby": `${id}-sense`,
        "aria-valuemin": this.scale.low,
        "aria-valuemax": this.scale.high,
        onkeydown: (event) => this.key(event),
        onpointerdown: (event) => this.press(event),
        ondblclick: () => this.toDefault(),
      },
      this.tick,
      this.fill,
      this.thumb,
    );
    this.input = make("input", {
      type: "text",
      inputmode: "decimal",
      class: "typed",
      id: `${id}-typed`,
      "aria-label": `${label}${field.unit && !/ per /.test(label) ? `, in ${field.unit}` : ""}`, // a rate names its unit
      autocomplete: "off",
      spellcheck: "false",
      onchange: () => this.typed(),
      onfocus: (event) => event.target.select(),
      onkeydown: (event) => {
        if (event.key === "Enter") this.typed();
        if (event.key === "Escape") this.leave();
        event.stopPropagation();
      },
    });
    this.wrong = make("p", { class: "mistake", role: "alert" });
    this.shown = ""; // text of the value
    this.element = make(
      "div",
      { class: "setting" },
      make("span", { class: "label", id: `${id}-label`, ondblclick: () => this.toDefault() }, label),
      make("span", { class: "value" }, this.input, make("span", { class: "unit", "aria-hidden": "true" }, field.unit)),
      this.groove,
      this.wrong,
      ...extra,
      make("p", { class: "sense", id: `${id}-sense` }, sense),
    );
  }

  // Show a value; null where the setting is left out, and then what follows instead.
  show(value, fallback) {
    this.value = value;
    this.fallback = fallback;
    const number = value ?? (typeof fallback === "number" ? fallback : null);
    const share = number === null ? 0 : clamp(this.scale.from(number), 0, 1);
    this.groove.style.setProperty("--share", share);
    this.element.classList.toggle("left-out", value === null);
    this.element.classList.toggle("no-value", number === null);
    const text = number === null ? String(fallback ?? "\u2013") : spoken(number, 3);
    this.shown = text;
    if (document.activeElement !== this.input) {
      this.input.value = text;
      this.tell("");
    }
    this.groove.setAttribute("aria-valuenow", number ?? this.scale.low);
    const words = `${text}${this.field.unit && number !== null ? ` ${this.field.unit}` : ""}`;
    this.groove.setAttribute("aria-valuetext", value === null ? `left out: ${words}` : words);
    const usual = this.field.default;
    this.tick.hidden = typeof usual !== "number";
    if (typeof usual === "number") this.tick.style.left = `${100 * clamp(this.scale.from(usual), 0, 1)}%`;
  }

  // Stand at a value for a moment, as one that follows a curve does.
  stand(value) {
    this.groove.style.setProperty("--share", clamp(this.scale.from(value), 0, 1));
    if (document.activeElement !== this.input) this.input.value = spoken(value, 3);
  }

  get now() {
    return this.value ?? (typeof this.fallback === "number" ? this.fallback : this.scale.to(0.5));
  }

  put(value, fine) {
    const { ge, gt, le, lt } = this.field;
    let kept = clamp(tidy(value, this.field, fine), this.scale.low, this.scale.high);
    if (gt !== null && kept <= gt) kept = Number(gt) + (this.scale.high - Number(gt)) * 1e-4;
    if (lt !== null && kept >= lt) kept = Number(lt) - (Number(lt) - this.scale.low) * 1e-4;
    void ge;
    void le;
    if (kept !== this.value) this.set(kept);
  }

  toDefault() {
    this.began();
    this.clear();
  }

  // Say what is wrong with what was typed; nothing takes it back.
  tell(wrong) {
    this.wrong.textContent = wrong;
    if (wrong) this.input.setAttribute("aria-invalid", "true");
    else this.input.removeAttribute("aria-invalid");
  }

  // Leave the field as it was.
  leave() {
    this.input.value = this.shown;
    this.tell("");
    this.groove.focus();
  }

  typed() {
    if (this.input.value === this.shown && this.value !== null) return this.tell(""); // the text is shorter than the value
    const text = this.input.value.trim().replace("\u2212", "-").replace(",", ".");
    if (text === "" || text === "\u2013") {
      if (this.value !== null) this.toDefault();
      return this.tell("");
    }
    const number = numberOf(/^[+-]?[\d.]/.test(text) ? text : "?", this.field);
    const value = typeof number === "number" ? number : Number(text);
    if (!Number.isFinite(value) || outside(value, this.field)) {
      return this.tell(`${this.label} must be ${rangeOf(this.field)}.`);
    }
    this.tell("");
    if (value !== this.value) {
      this.began();
      this.set(this.field.type === "whole" ? Math.round(value) : value);
    }
    return undefined;
  }

  key(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const share = clamp(this.scale.from(this.now), 0, 1);
    const small = event.shiftKey ? 0.001 : 0.01;
    const steps = { ArrowUp: small, ArrowRight: small, ArrowDown: -small, ArrowLeft: -small, PageUp: 0.1, PageDown: -0.1 };
    if (event.key in steps) this.step(share + steps[event.key], steps[event.key], event.shiftKey);
    else if (event.key === "Home") this.step(0, -1, false);
    else if (event.key === "End") this.step(1, 1, false);
    else if (event.key === "Delete" || event.key === "Backspace") this.toDefault();
    else if (event.key === "Enter") this.input.focus();
    else return;
    event.preventDefault();
    event.stopPropagation();
  }

  // A step by key always moves, however coarse the rounding is there.
  step(share, direction, fine) {
    this.began();
    const before = this.now;
    let value = tidy(this.scale.to(clamp(share, 0, 1)), this.field, fine);
    if (value === before && this.field.type === "whole") value = before + Math.sign(direction);
    if (value === before) value = tidy(this.scale.to(clamp(share, 0, 1)), this.field, true);
    this.put(value, true);
  }

  press(event) {
    if (event.button !== 0) return;
    this.groove.focus({ preventScroll: true });
    this.groove.setPointerCapture(event.pointerId);
    this.began();
    const box = this.groove.getBoundingClientRect();
    let share = clamp((event.clientX - box.left) / box.width, 0, 1);
    const near = Math.abs(share - clamp(this.scale.from(this.now), 0, 1)) * box.width < 14;
    if (near) share = clamp(this.scale.from(this.now), 0, 1);
    let last = event.clientX;
    let moved = false;
    const move = (moving) => {
      const by = (moving.clientX - last) / box.width;
      last = moving.clientX;
      if (!by) return;
      moved = true;
      share = clamp(share + by * (moving.shiftKey ? 0.1 : 1), 0, 1);
      this.put(this.scale.to(share), moving.shiftKey);
    };
    // A finger that scrolls the page loses the pointer, and has chosen nothing.
    const end = (ending) => {
      this.groove.removeEventListener("pointermove", move);
      for (const name of ["pointerup", "lostpointercapture"]) this.groove.removeEventListener(name, end);
      if (ending.type === "pointerup" && !moved && !near) this.put(this.scale.to(share), false);
    };
    this.groove.addEventListener("pointermove", move);
    for (const name of ["pointerup", "lostpointercapture"]) this.groove.addEventListener(name, end);
  }
}
