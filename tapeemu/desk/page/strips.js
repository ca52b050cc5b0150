// The stages as strips, in the order of the signal.

// Settings of each kind that stand in front; the others unfold.
const IN_FRONT = {
  wow_flutter: ["weighted_flutter_percent", "profile", "random_percent", "speed_error_percent", "azimuth_skew_us"],
  amplitude_flutter: ["random_db", "random_high_hz", "dropouts_per_minute", "channel_correlation"],
  preamp_drive: ["drive_db", "thd_percent", "asymmetry_percent", "level_matched"],
  tape_magnetisation: ["drive_db", "mol_db", "bias_percent"],
  fdn_reverb: ["decay_seconds", "wet_percent", "size_percent", "low_decay_ratio", "high_decay_ratio"],
  tape_noise: ["hiss", "hiss_db", "modulation_noise_db", "hum_db"],
  tape_response: ["mol_db", "sol_10khz_db", "treble_time_constant_us", "face_length_mm", "self_erasure_db"],
  crosstalk: ["fringing_db", "coupling_db", "guard_mm"],
  head_azimuth: ["azimuth_urad", "wander_urad"],
  print_through: ["level_db", "asymmetry_db", "pre_echo", "stored"],
  erase_residue: ["residue_db", "bass_rise_db", "earlier_seconds"],
  splices: ["splices", "angle_degrees"],
  start_stop: ["events", "start_law", "start_seconds", "stop_seconds"],
};

// Of settings that decide the same thing, the one that is set removes the others.
const INSTEAD = {
  drive_db: ["thd_percent", "mol_db"],
  thd_percent: ["drive_db"],
  mol_db: ["drive_db"],
  record_loss_um: ["sol_10khz_db"],
  sol_10khz_db: ["record_loss_um", "spacing_um"],
  spacing_um: ["sol_10khz_db"],
  boost_limit_db: ["response_tolerance_db"],
  response_tolerance_db: ["boost_limit_db"],
  bump_db: ["poles"],
  poles: ["bump_db"],
  profile: ["rotating_parts", "random_percent", "scrape_percent"],
  rotating_parts: ["profile"],
  random_percent: ["profile"],
  scrape_percent: ["profile"],
  hiss_db: ["track_width_mm"],
  track_width_mm: ["hiss_db", "hiss_weighting"],
  decay_by_band_seconds: ["low_decay_ratio", "high_decay_ratio"],
  low_decay_ratio: ["decay_by_band_seconds"],
  high_decay_ratio: ["decay_by_band_seconds"],
};

// A preset in which a setting decides alone: without what would contradict it, and the curves of that.
const decidedBy = (document_, path, name) => {
  let made = document_;
  for (const other of INSTEAD[name] ?? []) {
    if (other in made.stage(path).values) made = new PresetText(made.without(path, other));
    made = new PresetText(made.withoutCurve(path, other));
  }
  return made;
};

// What holds for a setting that is left out: a number where one follows, else a word.
const leftOut = (kind, name, own, field) => {
  if (typeof field.default === "number") return field.default;
  const word = "off";
  if (!own) return "\u2013";
  try {
    switch (`${kind}.${name}`) {
      case "preamp_drive.drive_db":
      case "tape_magnetisation.drive_db":
        return figureOf(kind, own, "drive_db");
      case "preamp_drive.thd_percent":
        return figureOf(kind, own, "thd_percent", own.reference_level_dbfs);
      case "tape_magnetisation.mol_db":
        return figureOf(kind, own, "mol_db");
      case "tape_response.sol_10khz_db":
        return figureOf(kind, own, "sol_db");
      case "tape_response.record_loss_um":
        return figureOf(kind, own, "record_loss_um");
      case "tape_response.bump_db":
        return "by poles";
      case "fdn_reverb.decay_seconds":
        return decaysOf(own)[4];
      case "fdn_reverb.low_decay_ratio":
        return decaysOf(own)[1] / decaysOf(own)[4];
      case "fdn_reverb.high_decay_ratio":
        return decaysOf(own)[7] / decaysOf(own)[4];
      case "wow_flutter.weighted_flutter_percent":
        return flutterScale(own) * flutterFigures(own)[0];
      case "wow_flutter.tape_speed_cm_s":
        return mixtureOf(own).speed;
      case "wow_flutter.random_percent":
        return mixtureOf(own).random;
      case "wow_flutter.random_slope_db_per_octave":
        return -3;
      case "tape_noise.hiss_db":
        return own.hiss ? figureOf(kind, own, "hiss_db") : word;
      case "tape_noise.track_width_mm":
        return 2;
      default:
        return word;
    }
  } catch {
    return "\u2013";
  }
};

// A list of things that stand on the tape with one more at a place; of two actions in turn it is the other one.
const withOneHere = (list, field, place) => {
  const seconds = Math.round(place * 100) / 100;
  const before = list.filter((each) => Number(numberOf(each.at_seconds, field.fields.at_seconds)) < seconds).at(-1);
  const made = {};
  for (const [name, { choices }] of Object.entries(field.fields)) {
    if (name === "at_seconds") made[name] = seconds;
    else if (choices && field.fields[name].required) made[name] = choices.find((choice) => choice !== before?.[name] && (before || choice !== choices[0]));
  }
  return [...list, made].sort((one, other) => one.at_seconds - other.at_seconds);
};

// The points of a curve in words.
const coursed = (points) => {
  const time = ({ seconds, samples }) => {
    const value = Number(seconds ?? samples / data.rate);
    return `${value < 0 ? "\u2212" : ""}${Math.floor(Math.abs(value) / 60)}:${(Math.abs(value) % 60).toFixed(1).padStart(4, "0")}`;
  };
  if (!Array.isArray(points) || !points.length) return "a curve without points";
  return points.length === 1 ? `stands at a point of ${time(points[0])}` : `moves by ${points.length} points, ${time(points[0])} to ${time(points.at(-1))}`;
};

class Strips {
  // holder: the list; desk: what changes go to.
  constructor(holder, desk) {
    this.holder = holder;
    this.desk = desk;
    this.shape = "";
    this.controls = [];
    this.sliders = new Map(); // by path and name of the setting
    this.open = new Set();
  }

  // Show what the text says; elements stay where the stages are the same, so that focus and drags go on.
  show(document_, owns, mistake) {
    const shape = JSON.stringify(this.flat(document_.root.stages).map(({ path, stage }) => [path, stage.values.kind]));
    if (shape !== this.shape) this.build(document_);
    this.shape = shape;
    for (const control of this.controls) control(document_, owns);
    for (const strip of this.holder.querySelectorAll(".strip")) {
      const here = mistake && JSON.stringify(mistake.path ?? []) === strip.dataset.path;
      const said = strip.querySelector(".mistake");
      said.textContent = here ? mistake.message : "";
      said.hidden = !here;
    }
  }

  flat(stages, before = []) {
    return stages.flatMap((stage, index) => [{ path: [...before, index], stage }, ...this.flat(stage.stages, [...before, index])]);
  }

  build(document_) {
    this.controls = [];
    this.sliders.clear();
    const focused = document.activeElement?.id;
    this.holder.replaceChildren(...document_.root.stages.map((stage, index) => this.strip(stage, [index], document_.root.stages.length)));
    arrange(this.holder, STRIP_REM);
    if (focused) at(focused)?.focus();
  }

  strip(stage, path, count) {
    const kind = stage.values.kind;
    const id = `stage-${path.join("-")}`;
    const declared = data.kinds[kind];
    const index = path.at(-1);
    const title = make("h3", { id: `${id}-title` });
    const kindWords = make("span", { class: "kind" }, kindInWords(kind ?? "?"));
    const bypass = make("input", { type: "checkbox", id: `${id}-on`, role: "switch", onchange: (event) => this.desk.change(path, "bypass", event.target.checked ? null : true) });
    const back = make("button", { type: "button", class: "move", onclick: () => this.desk.move(path, index - 1) }, "\u2039");
    const on = make("button", { type: "button", class: "move", onclick: () => this.desk.move(path, index + 1) }, "\u203a");
    back.disabled = index === 0;
    on.disabled = index === count - 1;
    back.id = `${id}-back`;
    on.id = `${id}-forth`;
    const handle = make("span", { class: "handle", title: "Drag to another place", "aria-hidden": "true" }, make("span"), make("span"), make("span"));
    const strip = make(
      "li",
      { class: `strip ${kind}`, "data-path": JSON.stringify(path), "aria-labelledby": `${id}-title` },
      make("header", {}, handle, make("div", { class: "names" }, title, kindWords), make("div", { class: "order" }, back, on), make("label", { class: "power", for: `${id}-on` }, bypass, make("span", { class: "hidden" }, "On"))),
      make("p", { class: "mistake", role: "alert", hidden: true }),
    );
    this.drag(strip, handle, path);
    this.controls.push((document_) => {
      const values = document_.stage(path).values;
      const name = values.name ?? kindInWords(kind ?? "?").toLowerCase();
      title.textContent = name;
      kindWords.hidden = name.toLowerCase() === kindInWords(kind ?? "").toLowerCase();
      bypass.checked = values.bypass !== true;
      bypass.setAttribute("aria-label", `${name} on`);
      back.setAttribute("aria-label", `Move ${name} earlier`);
      on.setAttribute("aria-label", `Move ${name} later`);
      strip.classList.toggle("off", values.bypass === true);
    });
    if (kind === "chain") {
      strip.append(make("ol", { class: "strips inner" }, ...stage.stages.map((inner, number) => this.strip(inner, [...path, number], stage.stages.length))));
    } else if (declared) {
      const front = (IN_FRONT[kind] ?? Object.keys(declared.fields).slice(0, 5)).filter((name) => name in declared.fields);
      const rest = Object.keys(declared.fields).filter((name) => !front.includes(name));
      const settings = (names) => make("div", { class: "settings" }, ...names.map((name) => this.setting(path, kind, name, declared.fields[name], id)));
      const more = make("details", { class: "more", open: this.open.has(id) }, make("summary", {}, `More of ${kindInWords(kind).toLowerCase()}`));
      const behind = settings(rest);
      behind.append(this.setting(path, kind, "mix_percent", data.stage.mix_percent, id));
      more.append(behind);
      more.addEventListener("toggle", () => {
        if (more.open === this.open.has(id)) return; // it was made open
        if (more.open) this.open.add(id);
        else this.open.delete(id);
        this.desk.show();
        strip.scrollIntoView({ block: "nearest" }); // it takes another place
      });
      more.append(make("button", { type: "button", class: "quiet", onclick: () => this.desk.remove(path) }, "Take this stage out"));
      strip.append(settings(front), more);
    }
    return strip;
  }

  setting(path, kind, name, field, stageId) {
    const id = `${stageId}-${name}`;
    const label = inWords(name);
    const sense = sentenceInWords(field.sense);
    const { desk } = this;
    const set = (value) => desk.change(path, name, value, field);
    const clear = () => desk.change(path, name, null, field);
    const read = (document_) => document_.stage(path).values[name];
    if (field.type === "number" || (field.type === "whole" && name !== "seed" && name !== "room_seed")) {
      const told = make("span");
      const course = make("p", { class: "course", hidden: true }, told, make("button", { type: "button", class: "quiet", onclick: () => desk.forget(path, name), "aria-label": `Take the recorded moves of ${label} out` }, "Take out"));
      const slider = new Slider({ id, label, field, set, clear, began: () => desk.pause(id), sense, extra: [course] });
      this.sliders.set(`${path.join("-")} ${name}`, slider);
      this.controls.push((document_, owns) => {
        const given = read(document_);
        const value = desk.valueInHand(path, name) ?? (given === undefined ? null : Number(numberOf(given, field)));
        // What follows where it is left out may have to be solved for: not while nobody sees it.
        const seen = value === null && slider.element.closest("details")?.open !== false;
        slider.show(value, seen ? leftOut(kind, name, owns.get(JSON.stringify(path)), field) : null);
        const curve = document_.stage(path).values.automation?.find?.((each) => each.setting === name);
        course.hidden = !curve;
        if (curve) told.textContent = coursed(curve.points);
      });
      return slider.element;
    }
    const frame = (control, wide = false) =>
      make("div", { class: `setting${wide ? " wide" : " plain"}` }, make("label", { class: "label", for: id }, label), control, make("p", { class: "sense", id: `${id}-sense` }, sense));
    if (field.type === "switch") {
      const input = make("input", { type: "checkbox", role: "switch", id, "aria-describedby": `${id}-sense`, onchange: (event) => set(event.target.checked) });
      this.controls.push((document_) => {
        input.checked = read(document_) ?? field.default;
      });
      return frame(input);
    }
    if (field.type === "choice") {
      const whole = typeof field.choices[0] === "number";
      const options = field.choices.map((choice) => make("option", { value: choice }, choiceInWords(choice)));
      const select = make("select", { id, "aria-describedby": `${id}-sense`, onchange: (event) => (event.target.value === "" ? clear() : set(whole ? Number(event.target.value) : event.target.value)) });
      if (field.optional) select.append(make("option", { value: "" }, "left out"));
      select.append(...options);
      this.controls.push((document_) => {
        select.value = read(document_) ?? field.default ?? "";
      });
      return frame(select);
    }
    if (field.type === "whole") {
      const input = make("input", {
        type: "text",
        inputmode: "numeric",
        id,
        class: "typed seed",
        "aria-describedby": `${id}-sense`,
        onchange: (event) => {
          const text = event.target.value.trim();
          if (/^\d{1,19}$/.test(text) && BigInt(text) < 2n ** 63n) set(Number.isSafeInteger(Number(text)) ? Number(text) : BigInt(text));
          else clear();
        },
      });
      const another = make("button", { type: "button", class: "quiet", onclick: () => set(1 + Math.floor(Math.random() * 99998)) }, name === "seed" ? "Another tape" : "Another room");
      this.controls.push((document_) => {
        if (document.activeElement !== input) input.value = String(read(document_) ?? field.default);
      });
      return frame(make("span", { class: "both" }, input, another));
    }
    // Pairs, tables and lists of tables are written as they stand in the preset.
    const placed = field.type === "tables" && "at_seconds" in field.fields;
    const here = placed ? make("button", { type: "button", class: "quiet", onclick: () => set(withOneHere(read(new PresetText(desk.text)) ?? [], field, desk.placeNow)) }, "Add one at this place") : null;
    const area = make("input", {
      type: "text",
      id,
      class: "written",
      spellcheck: "false",
      "aria-describedby": `${id}-sense`,
      placeholder: "left out",
      onchange: (event) => {
        const text = event.target.value.trim();
        if (!text) return clear();
        try {
          set(new PresetText(`x = ${text}\n`).root.values.x);
          event.target.removeAttribute("aria-invalid");
        } catch {
          event.target.setAttribute("aria-invalid", "true");
        }
        return undefined;
      },
    });
    this.controls.push((document_) => {
      const value = read(document_);
      if (document.activeElement !== area) area.value = value === undefined ? "" : literalOf(value).replaceAll(/\s+/g, " ");
    });
    return frame(make("div", { class: "stacked" }, area, here), true);
  }

  // A strip follows the pointer, and the others make room.
  drag(strip, handle, path) {
    handle.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      event.preventDefault();
      handle.setPointerCapture(event.pointerId);
      strip.classList.add("dragged");
      const list = [...strip.parentElement.children];
      const from = { x: event.clientX, y: event.clientY };
      const boxes = list.map((each) => each.getBoundingClientRect());
      let target = path.at(-1);
      const move = (moving) => {
        // Within the window: a strip beyond its edge would make the page as wide.
        const [x, y] = [clamp(moving.clientX, 0, window.innerWidth), clamp(moving.clientY, 0, window.innerHeight)];
        const most = document.documentElement.clientWidth - boxes[path.at(-1)].right;
        strip.style.transform = `translate(${Math.min(x - from.x, most)}px, ${y - from.y}px)`;
        const distances = boxes.map((box) => Math.hypot(box.left + box.width / 2 - x, box.top + Math.min(box.height / 2, 60) - y));
        target = distances.indexOf(Math.min(...distances));
        list.forEach((each, index) => each.classList.toggle("target", index === target && each !== strip));
      };
      // Whatever else than letting go ends it puts the strip back.
      const end = (ending) => {
        handle.removeEventListener("pointermove", move);
        for (const name of ["pointerup", "lostpointercapture"]) handle.removeEventListener(name, end);
        document.removeEventListener("keydown", escape);
        strip.classList.remove("dragged");
        strip.style.transform = "";
        list.forEach((each) => each.classList.remove("target"));
        if (ending.type === "pointerup" && target !== path.at(-1)) this.desk.move(path, target);
      };
      const escape = (pressed) => {
        if (pressed.key === "Escape") end(pressed);
      };
      handle.addEventListener("pointermove", move);
      for (const name of ["pointerup", "lostpointercapture"]) handle.addEventListener(name, end);
      document.addEventListener("keydown", escape);
    });
  }
}
