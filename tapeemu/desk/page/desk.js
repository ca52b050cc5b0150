// The desk itself: two settings as texts, their history, what is heard of them, and what is shown.

const data = JSON.parse(at("desk-data").textContent);
at("desk-data").textContent = ""; // stems of minutes are not kept twice
const MEASURED = [
  ["weighted_flutter_percent", "Weighted flutter", "%", "How far the pitch sways, weighted as the ear notices it (AES6-2008, two-sigma)."],
  ["thd_reference_percent", "THD at reference", "%", "Total harmonic distortion: the overtones that a tone of 1 kHz at the reference level, \u221218 dBFS, gets, as a share of it."],
  ["thd_now_percent", "THD at this level", "%", "The same for a tone as high as the peaks of what plays now."],
  ["mol_3_percent_db", "3 % level re reference", "dB", "Maximum operating level (MOL): where a tone of 1 kHz gets 3 % of its third harmonic, above or below the reference level."],
  ["decay_500hz_seconds", "RT60 at 500 Hz", "s", "How long the reverberation takes to fall by 60 dB."],
  ["noise_a_weighted_db", "Noise, A-weighted", "dB", "What sounds by itself, weighted as quiet sounds are heard, re a tone at the reference level."],
  ["loudness_change_lu", "Loudness change", "LU", "How much louder the stems became, by the loudness of ITU-R BS.1770: all that was heard since the last change of a setting, but for the moment in which the sound goes over; until there is enough of it, the last 0.4 s (heard just now). Equal loudness takes it off while one listens."],
];

const STRIP_REM = 20; // least widths, with the gap beside it
const STEM_REM = 19;
const CALM_MILLISECONDS = 500; // between pictures, for who asked for less motion
const TOLD_MILLISECONDS = 1000; // what moves all the time is told to screen readers so often

const GATE_SECONDS = 0.4; // a block of ITU-R BS.1770
const changeOf = (powers) => 10 * Math.log10(Math.max(powers.out, 1e-20) / powers.in);

const withoutSpeedError = (stage) => ({
  ...stage,
  values: stage.values.kind === "wow_flutter" ? { ...stage.values, speed_error_percent: 0 } : stage.values,
  stages: stage.stages.map(withoutSpeedError),
});

class Desk {
  constructor() {
    this.sound = new Sound();
    this.recording = new Recording(this);
    this.texts = [data.presets[0].text, data.presets[0].text];
    this.names = [data.presets[0].name, data.presets[0].name];
    this.current = 0;
    this.past = [];
    this.future = [];
    this.lastChange = { key: "", time: 0 };
    this.mistake = null;
    this.heard = [this.freshMatch(), this.freshMatch()];
    this.lately = []; // powers of the last moments, whatever was changed in them
    this.measured = {};
    this.peak = 0;
    this.hold = { in: 0, out: 0 };
    this.meters = null;
  }

  freshMatch() {
    return { in: 0, out: 0, seconds: 0, passed: 0, held: null };
  }

  get text() {
    return this.texts[this.current];
  }

  // ------------------------------------------------------------ changing
  // Every change of a text goes through here: kept for undo, read, heard, shown. Changes of one control within a
  // moment are one change.
  edit(text, key) {
    if (text === this.text) return;
    this.step(key);
    this.texts[this.current] = text;
    this.heard[this.current] = this.freshMatch();
    this.refresh();
  }

  // A change of something begins, or goes on.
  step(key) {
    const now = performance.now();
    if (key !== this.lastChange.key || now - this.lastChange.time > 900) this.keep();
    this.lastChange = { key, time: now };
  }

  pause(key) {
    if (this.lastChange.key !== key) this.lastChange = { key: "", time: 0 };
  }

  state() {
    const { mix, loop, volumeDb } = this.sound;
    const heard = { mix: mix.map((each) => ({ ...each })), loop: [...loop], volumeDb, stems: [...data.stems] };
    return { texts: [...this.texts], names: [...this.names], current: this.current, ...heard };
  }

  keep() {
    this.say(""); // what was said of an earlier step
    this.past.push(this.state());
    if (this.past.length > 500) this.past.shift();
    this.future = [];
  }

  undo(from = this.past, to = this.future) {
    this.recording.finish();
    const state = from.pop();
    if (!state) return;
    this.say("");
    to.push(this.state());
    Object.assign(this, { texts: [...state.texts], names: [...state.names], current: state.current });
    this.heard = [this.freshMatch(), this.freshMatch()];
    this.lastChange = { key: "", time: 0 };
    this.restore(state);
    this.refresh();
  }

  // Stems, how they are heard, the part that repeats and the volume as they were.
  restore({ stems, mix, loop, volumeDb }) {
    const { sound } = this;
    const same = (one, other) => JSON.stringify(one) === JSON.stringify(other);
    if (stems.length !== data.stems.length || stems.some((stem, index) => stem !== data.stems[index])) {
      this.setStems(stems, mix.map((each) => ({ ...each })), loop);
    } else if (!same(mix, sound.mix)) {
      mix.forEach((each, index) => Object.assign(sound.mix[index], each));
      sound.sendMix();
      this.buildStems();
    }
    if (!same(loop, sound.loop)) sound.setLoop(...loop);
    if (volumeDb !== sound.volumeDb) sound.setVolume(volumeDb);
    this.showLoop();
    this.showVolume();
  }

  redo() {
    this.undo(this.future, this.past);
  }

  change(path, name, value, field) {
    const key = `${path.join(".")}.${name}`;
    if (this.recording.takes(path, name, value)) return this.recording.take(path, name, value, field);
    try {
      const document_ = new PresetText(this.text);
      if (value === null) {
        return this.edit(document_.without(path, name), key);
      }
      return this.edit(decidedBy(document_, path, name).withValue(path, name, literalOf(value, field?.type !== "number")), key);
    } catch (error) {
      return this.say(error.message);
    }
  }

  // ------------------------------------------------------------ recorded moves
  setRecording(on) {
    this.recording.arm(on);
    at("record").setAttribute("aria-pressed", String(on));
    this.say(on ? "Moves of a slider are recorded while the sound plays, for settings that can follow a curve." : "Moves are no longer recorded.");
  }

  valueInHand(path, name) {
    return this.recording?.valueOf(path, name) ?? null;
  }

  forget(path, name) {
    this.edit(new PresetText(this.text).withoutCurve(path, name), `forget ${performance.now()}`);
  }

  // What follows curves stands where they are.
  showCurves() {
    for (const { path, name, places, values, shapes } of this.setup?.curves ?? []) {
      if (this.recording.valueOf(path, name) !== null) continue;
      const place = this.placeNow * data.rate;
      this.strips.sliders.get(`${path.join("-")} ${name}`)?.stand(curveMean({ places, values, shapes }, place, place + 1));
    }
  }

  move(path, to) {
    this.recording.finish();
    const document_ = new PresetText(this.text);
    const list = document_.siblings(path);
    if (to < 0 || to >= list.length) return;
    const name = list[path.at(-1)].values.name ?? list[path.at(-1)].values.kind;
    this.edit(document_.moved(path, to), `move ${performance.now()}`);
    this.say(`${name} is now stage ${to + 1} of ${list.length}`);
    const id = `stage-${[...path.slice(0, -1), to].join("-")}`;
    const button = at(`${id}-${to > path.at(-1) ? "forth" : "back"}`);
    (button?.disabled ? at(`${id}-${to > path.at(-1) ? "back" : "forth"}`) : button)?.focus();
  }

  remove(path) {
    this.recording.finish();
    const document_ = new PresetText(this.text);
    const { name, kind } = document_.stage(path).values;
    this.edit(document_.withoutStage(path), `remove ${performance.now()}`);
    this.say(`${name ?? kind} is taken out; undo brings it back`);
    // The button that was pressed is gone: on to the stage that took its place.
    const here = Math.min(path.at(-1), document_.siblings(path).length - 2);
    (at(`stage-${[...path.slice(0, -1), here].join("-")}-on`) ?? at("add")).focus();
  }

  add(kind) {
    this.recording.finish();
    const document_ = new PresetText(this.text);
    const names = document_.root.stages.map((stage) => stage.values.name ?? stage.values.kind);
    let name = kindInWords(kind).toLowerCase();
    for (let number = 2; names.includes(name); number += 1) name = `${kindInWords(kind).toLowerCase()} ${number}`;
    this.edit(document_.withStage(kind, name), `add ${performance.now()}`);
    this.say(`${name} is stage ${names.length + 1}, behind all others`);
    at("strips").lastElementChild.scrollIntoView({ block: "nearest" });
  }

  choosePreset(index) {
    this.recording.finish();
    this.keep();
    this.names[this.current] = data.presets[index].name;
    this.texts[this.current] = data.presets[index].text;
    this.heard[this.current] = this.freshMatch();
    this.lastChange = { key: "", time: 0 };
    this.refresh();
  }

  use(which) {
    this.recording.finish();
    if (which === this.current) return;
    this.say("");
    this.current = which;
    this.lately = [];
    this.lastChange = { key: "", time: 0 };
    this.refresh();
  }

  copy() {
    this.keep();
    const other = 1 - this.current;
    this.texts[other] = this.text;
    this.names[other] = this.names[this.current];
    this.heard[other] = { ...this.heard[this.current] };
    this.lastChange = { key: "", time: 0 };
    this.show();
    this.say(`${"AB"[this.current]} copied to ${"AB"[other]}`);
  }

  // ------------------------------------------------------------ reading and hearing
  refresh() {
    this.mistake = null;
    let document_;
    try {
      document_ = new PresetText(this.text);
      this.document = document_;
      this.setup = this.setupFrom(document_);
      this.sound.take(this.setup);
      this.probe?.take(this.setup.atSpeed ?? this.setup);
      this.figuresSoon();
    } catch (error) {
      if (!(error instanceof TextError || error instanceof SettingError)) throw error;
      this.mistake = { message: error.message, path: error.path, line: error.line ?? this.lineOf(error) };
      clearTimeout(this.labTimer); // it would refuse the text as well
    }
    this.show();
  }

  // What sounds; beside it, for the player, the same at the right speed.
  setupFrom(document_) {
    const setup = setupOfPreset(document_.root);
    refuseMissingTracks(setup, data.stems);
    if (ratioOf(setup) !== 1) setup.atSpeed = setupOf(document_.root.stages.map(withoutSpeedError));
    return setup;
  }

  lineOf(error, document_ = this.document) {
    if (!document_) return 1;
    const { spans, block } = error.path ? document_.stage(error.path) : document_.root;
    const span = spans[error.key];
    return document_.line(span?.line ?? block?.begin ?? 0);
  }

  // Settings of all stages by their path, those that are off among them; beside a mistake, of all others.
  owns() {
    const owns = new Map([...(this.setup?.stages ?? []), ...(this.setup?.off ?? [])].map((stage) => [JSON.stringify(stage.path), stage.own]));
    if (!this.mistake) return owns;
    for (const { path, stage } of this.strips.flat(this.document.root.stages)) {
      try {
        owns.set(JSON.stringify(path), ownOf(stage.values));
      } catch {
        owns.delete(JSON.stringify(path));
      }
    }
    return owns;
  }

  show() {
    if (this.document) this.strips.show(this.document, this.owns(), this.mistake);
    at("purpose").textContent = this.document?.root.values.purpose ?? "";
    for (const [id, which] of [["use-a", 0], ["use-b", 1]]) at(id).setAttribute("aria-pressed", String(this.current === which));
    const [here, there] = this.current ? "BA" : "AB";
    const [roomy, terse] = at("copy").children;
    roomy.textContent = `Copy to ${there}`;
    terse.textContent = `${here}\u2192${there}`;
    at("copy").setAttribute("aria-label", roomy.textContent);
    at("undo").disabled = !this.past.length;
    at("redo").disabled = !this.future.length;
    const preset = data.presets.findIndex((each) => each.name === this.names[this.current]);
    at("preset").value = preset;
    document.body.classList.toggle("changed", data.presets[preset]?.text !== this.text);
    if (document.activeElement !== at("text")) at("text").value = this.text;
    at("text").setAttribute("aria-invalid", String(Boolean(this.mistake)));
    at("text-mistake").textContent = this.mistake ? `Line ${this.mistake.line}: ${this.mistake.message}` : "";
    at("speed-note").hidden = !this.setup?.atSpeed;
    this.applyMatch();
    this.drawStill();
  }

  say(text) {
    at("message").textContent = text;
  }

  async attempt(work) {
    try {
      await work();
    } catch (error) {
      const text = `${error.message}.`.replace("..", ".");
      this.say(text.charAt(0).toUpperCase() + text.slice(1));
    }
  }

  toggle() {
    at("caution").hidden = true;
    this.recording.finish();
    this.lately = [];
    if (this.sound.playing) this.sound.pause();
    else this.attempt(() => this.sound.play().then(() => this.paint()));
    this.paint();
  }

  setDry(on) {
    this.sound.setDry(on);
    at("dry").setAttribute("aria-pressed", String(on));
    this.show();
  }

  // ------------------------------------------------------------ loudness
  // What has been heard since the last change of a setting, dry and wet side by side, tells how much louder it is. The
  // figure is held while one compares, so that nothing drifts. At first, while what sounded before the change is late and
  // dies away, only the last moments tell it, and of these first ones nothing is kept.
  learn(message) {
    const own = this.heard[this.current];
    if (!this.sound.playing || message.inPower / message.count < 1e-8) return;
    this.lately.push({ in: message.inPower, out: message.outPower, seconds: message.count / data.rate });
    while (this.lately.length > 1 && sum(this.lately.slice(1).map(({ seconds }) => seconds)) >= GATE_SECONDS) this.lately.shift();
    if (this.sound.waiting) return this.applyMatch();
    if (own.seconds >= 12) return undefined;
    const seconds = message.count / data.rate;
    own.passed += seconds;
    if (own.passed <= GATE_SECONDS) return this.applyMatch();
    own.in += message.inPower;
    own.out += message.outPower;
    own.seconds += seconds;
    own.held = own.seconds < GATE_SECONDS ? this.changeLately ?? own.held : changeOf(own);
    return this.applyMatch();
  }

  // How much louder it became in the last moments, while no figure is held: it follows a slider that never rests.
  get changeLately() {
    if (sum(this.lately.map(({ seconds }) => seconds)) < GATE_SECONDS) return null;
    return changeOf({ in: sum(this.lately.map((each) => each.in)), out: sum(this.lately.map((each) => each.out)) });
  }

  applyMatch() {
    const own = this.heard[this.current];
    const on = at("match").checked;
    this.sound.setMatch(on && own.held !== null ? clamp(-own.held, -40, 40) : 0);
    at("match-text").textContent = own.held === null ? "" : `${own.held >= 0 ? "+" : "\u2212"}${Math.abs(own.held).toFixed(1)} LU${on ? ", taken off" : ""}`;
    this.figure("loudness_change_lu", own.held ?? this.changeLately, own.seconds < GATE_SECONDS ? "heard just now" : "heard");
  }

  // ------------------------------------------------------------ figures
  figuresSoon() {
    clearTimeout(this.labTimer);
    this.measured = {};
    // While a slider moves they follow; as often as leaves the page most of its time.
    this.figureTimer ??= setTimeout(() => {
      this.figureTimer = null;
      const began = performance.now();
      this.foretell();
      this.foretold = performance.now() - began;
    }, clamp(3 * (this.foretold ?? 0), 120, 600));
    if (data.server) this.labTimer = setTimeout(() => this.attempt(() => this.askLaboratory()), 300);
  }

  figure(key, value, how) {
    const cell = this.figureCells?.get(key);
    if (!cell) return;
    const [, , unit] = MEASURED.find(([each]) => each === key);
    const known = value !== null && value !== undefined && Number.isFinite(value);
    const told = known && (/^(dB|LU)$/.test(unit) ? spokenDecibels(value) : spoken(value));
    cell.value.textContent = known ? `${told} ${unit}` : "\u2013";
    cell.how.textContent = known ? how : key === "loudness_change_lu" ? "heard while it plays" : "";
    cell.element.hidden = !known && key !== "loudness_change_lu";
    cell.element.classList.toggle("sure", how === "measured");
  }

  // Figures that follow from the settings, at once.
  foretell() {
    const find = (sort) => this.setup.stages.filter((stage) => stage.sort === sort);
    const flutter = Math.hypot(...find("wow_flutter").map((stage) => flutterScale(stage.own) * flutterFigures(stage.own)[0]), 0);
    const expected = { weighted_flutter_percent: flutter, noise_a_weighted_db: noiseOf(this.setup.stages) };
    // Of a setting that follows a curve, as it is without it.
    const drives = this.setup.stages.filter((stage) => data.kinds[stage.sort].drives).map((stage) => ({ ...stage, numbers: stage.plain ?? stage.numbers }));
    this.loop = null;
    this.bend = null;
    if (drives.length) {
      const key = drives.map(({ kind, numbers }) => `${kind} ${numbers.join()}`).join();
      if (key !== this.bendKey) {
        this.bends = new Bend((this.bendEngine ??= new Engine(this.sound.module, true)), drives);
        this.bent = { thd: this.bends.thd(REFERENCE_DBFS), mol: this.bends.mol(), loop: this.bends.loop() };
      }
      this.bendKey = key;
      this.bend = this.bends;
      expected.thd_reference_percent = this.bent.thd;
      expected.thd_now_percent = this.peak > 1e-4 ? this.bend.thd(decibelsOf(this.peak)) : null;
      expected.mol_3_percent_db = this.bent.mol;
      this.loop = this.bent.loop;
    }
    const rooms = find("fdn_reverb").filter((stage) => stage.own.wet_percent > 0);
    this.decays = rooms.length ? rooms.map((stage) => decaysOf(stage.own)).reduce((one, other) => one.map((value, i) => Math.max(value, other[i]))) : null;
    expected.decay_500hz_seconds = this.decays?.[3];
    this.expected = expected;
    for (const [key] of MEASURED) {
      if (key === "loudness_change_lu") continue;
      if (key in this.measured) this.figure(key, this.measured[key], "measured");
      else this.figure(key, expected[key], "expected");
    }
    const preset = data.presets.find((each) => each.text === this.text);
    for (const [key, [value]] of Object.entries(preset?.figures ?? {})) if (!(key in this.measured)) this.figure(key, value, "measured");
    this.drawStill();
  }

  async askLaboratory() {
    const { text } = this;
    const answer = await this.post("/measure", { text });
    const { number } = answer;
    while (text === this.text) {
      await new Promise((resolve) => setTimeout(resolve, 100));
      const got = await this.ask(`/figures?number=${number}`);
      const told = await got.json();
      if (text !== this.text || told.number !== number) return;
      for (const [key, [value]] of Object.entries(told.figures)) {
        this.measured[key] = value;
        this.figure(key, value, "measured");
      }
      if (told.done) return;
    }
  }

  async ask(where, { headers = {}, ...options } = {}) {
    try {
      return await fetch(where, { headers: { ...headers, "X-Desk-Key": data.server.key }, ...options });
    } catch {
      throw new Error("the command behind this page no longer answers; keep the text of the preset, and start tapeemu desk again");
    }
  }

  // Files of stems that changed behind the desk, which keeps what it read: looked at where one comes back to the page,
  // saves or renders.
  async lookAtStems() {
    if (!data.server) return;
    const { stale } = await (await this.ask("/stale")).json();
    at("stems-note").hidden = !stale.length;
    at("stems-note").textContent = stale.map((each) => `${each}.`).join(" ");
  }

  async post(where, body) {
    const answer = await this.ask(where, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
    const told = await answer.json();
    if (!answer.ok) throw new Error([told.message, ...(told.mistakes ?? [])].join("; "));
    return told;
  }

  // ------------------------------------------------------------ keeping
  // The stems through a setting, mixed as they are heard, of the part that repeats.
  async mixOf(which, told) {
    const { sound } = this;
    const [from, to] = sound.loop.map((seconds) => Math.round(seconds * data.rate));
    const mix = [new Float32Array(to - from), new Float32Array(to - from)];
    const setup = which < 2 ? setupOf(new PresetText(this.texts[which]).root.stages) : null;
    const anyAlone = sound.mix.some((each) => each.alone);
    for (let index = 0; index < sound.stems.length; index += 1) {
      const { gain, pan, silent, alone } = sound.mix[index];
      if (silent || (anyAlone && !alone)) continue;
      const stem = sound.stems[index].map((samples) => samples.subarray(0, to));
      let channels = stem;
      if (setup) {
        channels = stem.map(() => new Float32Array(to));
        let made = 0;
        const engine = sound.engine;
        for await (const part of rendered(engine, setup, { rate: data.rate, channels: stem.length, start: 0, track: index, tailDb: -60, tailSamples: 0 }, stem, told)) {
          part.forEach((samples, channel) => channels[channel].set(samples.subarray(0, to - made), made));
          made += part[0].length;
        }
      }
      const mono = channels.length === 1;
      const angle = ((pan + 1) * Math.PI) / 4;
      const gains = mono ? [Math.cos(angle), Math.sin(angle)] : [Math.min(1, 1 - pan), Math.min(1, 1 + pan)];
      mix.forEach((side, number) => {
        const samples = channels[mono ? 0 : number];
        for (let i = 0; i < side.length && from + i < samples.length; i += 1) side[i] += gain * gains[number] * samples[from + i];
      });
    }
    return mix;
  }

  blind(on) {
    for (const part of document.querySelectorAll(".top, .stage-light, .chain, .eyes, .stems-part")) part.inert = on;
  }

  // Said in the dialog: how it went, or what is wrong.
  sayOfSaving(text, wrong = false) {
    at("save-message").textContent = text.charAt(0).toUpperCase() + text.slice(1);
    at("save-message").classList.toggle("mistake", wrong);
  }

  async savePreset() {
    const name = at("save-name").value.trim();
    const purpose = at("save-purpose").value.trim();
    if (!new RegExp(data.rules.preset_name).test(name)) {
      return this.sayOfSaving("A name is lower-case words and numbers joined by hyphens.", true);
    }
    if (this.mistake) return this.sayOfSaving(`Line ${this.mistake.line}: ${this.mistake.message}`, true);
    if (!purpose && !this.document.root.values.purpose) {
      return this.sayOfSaving("Say in a sentence what it is for: the commands ask it of every preset.", true);
    }
    if (purpose) this.edit(new PresetText(this.text).withValue([], "purpose", literalOf(purpose)), "purpose");
    try {
      if (data.server) {
        const before = data.presets.findIndex((each) => each.name === name);
        const answer = await this.post("/save", { name, text: this.text, overwrite: before >= 0 });
        this.sayOfSaving(`${answer.message}; its figures are measured in the background`);
      } else {
        saveText(this.text, "application/toml", `${name}.toml`);
        this.sayOfSaving(`saved as ${name}.toml`);
      }
      const kept = { name, text: this.text, purpose, figures: {} };
      const known = data.presets.findIndex((each) => each.name === name);
      if (known >= 0) data.presets[known] = kept;
      else data.presets.push(kept);
      this.names[this.current] = name;
      this.listPresets();
      this.show();
    } catch (error) {
      this.sayOfSaving(error.message, true);
    }
    return undefined;
  }

  async saveFiles() {
    if (this.mistake) return this.sayOfSaving(`Line ${this.mistake.line}: ${this.mistake.message}`, true);
    const { document: { root: { stages } }, setup, names, current, text } = this;
    const preset = data.presets.find((each) => each.name === names[current])?.text === text ? names[current] : `${names[current]}, changed`;
    const stems = [...data.stems];
    let comment = "";
    for (const [index, { name }] of stems.entries()) {
      const told = (share) => this.sayOfSaving(`Rendering ${name}: ${Math.round(100 * share)} %`);
      comment = provenanceOf(stages, setup, preset, index);
      const { wav } = await this.sound.file(setup, index, told, comment);
      const link = make("a", { href: URL.createObjectURL(new Blob([wav], { type: "audio/wav" })), download: `${name}.wav` });
      link.click();
      setTimeout(() => URL.revokeObjectURL(link.href), 60_000);
    }
    const cut = setupSounds(setup) ? " Its noise has no end and is cut at that of the file." : "";
    const several = stems.length > 1 ? " A browser that asks must be allowed to save several files." : "";
    return this.sayOfSaving(`Rendered.${cut}${several}`);
  }

  // Files that are let fall on the page: stems join the tape, a preset is opened; what is neither is told.
  async takeFiles(files) {
    const told = [];
    for (const file of files) {
      try {
        told.push(await (/\.toml$/i.test(file.name) ? this.takePreset(file) : this.takeStem(file)));
      } catch (error) {
        told.push(error.message);
      }
    }
    this.say(told.map((each) => `${each}.`.replace("..", ".")).join(" "));
  }

  async takePreset(file) {
    if (file.size > 1 << 20) throw new Error(`${file.name} is more than a preset needs`);
    const lines = (await file.text()).split(/\r?\n/);
    const figures = lines.findIndex((line) => line.trimStart().startsWith("[measured")); // which a change makes untrue
    const text = `${lines.slice(0, figures < 0 ? lines.length : figures).join("\n").trimEnd()}\n`;
    let document_;
    try {
      document_ = new PresetText(text);
      setupOfPreset(document_.root);
    } catch (error) {
      throw new Error(`${file.name} is no preset for this page: line ${error.line ?? this.lineOf(error, document_)}: ${error.message}`);
    }
    this.edit(text, `file ${performance.now()}`);
    return `${file.name} is opened`;
  }

  async takeStem(file) {
    const samples = await this.sound.decoded(file);
    const stem = { name: file.name.replace(/\.[^.]+$/, ""), channels: samples.length, frames: samples[0].length };
    this.samples.set(stem, samples);
    this.step(`stem ${performance.now()}`);
    this.setStems([...data.stems, stem], [...this.sound.mix, freshMix()]);
    return `${file.name} joins the tape`;
  }

  setStems(stems, mix, loop = null) {
    data.stems = [...stems];
    this.attempt(() => this.sound.setStems(stems.map((stem) => this.samples.get(stem)), mix, loop).then(() => this.paint()));
    this.song = new Song(at("song"), this.sound);
    this.buildStems();
    this.showLoop();
    this.paint();
    this.refresh(); // what suits some stems may not suit others
  }

  // The part that repeats, as far as the song goes and a tenth of a second at least.
  setPart(wantedFrom, wantedTo) {
    const { seconds, loop } = this.sound;
    const least = Math.min(0.1, seconds);
    const from = Math.min(clamp(wantedFrom, 0, seconds), seconds - least);
    const to = Math.max(clamp(wantedTo, 0, seconds), from + least);
    if (from !== loop[0] || to !== loop[1]) {
      this.step(`part ${performance.now()}`);
      this.sound.setLoop(from, to);
    }
    this.showLoop();
    this.show();
    this.drawPlace();
  }

  setVolume(decibels) {
    this.step("volume");
    this.sound.setVolume(decibels);
    this.showVolume();
    this.show();
  }

  showVolume() {
    at("volume").value = this.sound.volumeDb;
    at("volume").setAttribute("aria-valuetext", `${this.sound.volumeDb} dB`);
  }

  // The whole song, as it is shown.
  showLoop() {
    at("place").max = this.sound.seconds;
    at("from").value = this.sound.loop[0].toFixed(2);
    at("to").value = this.sound.loop[1].toFixed(2);
  }

  copyLink() {
    const packed = btoa(String.fromCharCode(...new TextEncoder().encode(this.text))).replaceAll("+", "-").replaceAll("/", "_").replaceAll("=", "");
    history.replaceState(null, "", `#preset=${packed}`);
    const done = () => this.say("The address of this page now carries the settings.");
    navigator.clipboard?.writeText(location.href).then(done, done) ?? done();
  }

  readLink() {
    const match = /^#preset=([A-Za-z0-9_-]+)$/.exec(location.hash);
    if (!match) return;
    try {
      const raw = atob(match[1].replaceAll("-", "+").replaceAll("_", "/"));
      this.texts[0] = new TextDecoder("utf-8", { fatal: true }).decode(Uint8Array.from(raw, (letter) => letter.charCodeAt(0)));
    } catch {
      this.say("The settings in the address of this page cannot be read.");
    }
  }

  // ------------------------------------------------------------ showing
  listPresets() {
    at("preset").replaceChildren(...data.presets.map((preset, index) => make("option", { value: index }, preset.name.replaceAll("-", " "))));
  }

  get placeNow() {
    if (!this.sound.playing) return this.sound.place;
    return Math.min(this.sound.place + (performance.now() - this.sound.placeTime) / 1000, this.sound.seconds);
  }

  // Sound that broke up in three looks in a row, two seconds apart, is told of, one of which a fifth was missing at
  // once; one that kept whole takes that back.
  watchLoad() {
    const { playbackStats: stats, currentTime: played } = this.sound.context;
    const now = performance.now();
    if (!stats || now - (this.load?.time ?? -Infinity) < 2000) return;
    const before = this.load ?? { underruns: stats.underrunEvents, broken: 0 };
    const missing = played - before.played < 0.8 * ((now - before.time) / 1000);
    const broken = stats.underrunEvents > before.underruns ? before.broken + (missing ? 3 : 1) : 0;
    this.load = { time: now, underruns: stats.underrunEvents, played, broken };
    if (broken === 0 || broken >= 3) at("load-note").hidden = broken === 0;
  }

  hearMeters(message) {
    this.learn(message);
    this.watchLoad();
    this.meters = message;
    const peak = message.inPeak;
    this.peak = Math.max(peak, this.peak * 0.93);
    this.hold.in = Math.max(message.inPeak, this.hold.in * 0.985);
    this.hold.out = Math.max(message.outPeak, this.hold.out * 0.985);
    const from = this.probePlace ?? Math.round(message.place * data.rate);
    const to = Math.round(message.place * data.rate);
    const sound = decibelsOf(Math.sqrt(message.outPower / Math.max(message.count, 1)));
    this.probePlace = to;
    this.smooth ??= sound;
    if (to !== from) this.drawOn(this.probe?.run(to > from && to - from < data.rate ? from : to - message.count, to) ?? [], sound);
    if (message.place - (this.thdPlace ?? -1) > 0.5 || message.place < this.thdPlace) {
      this.thdPlace = message.place;
      if (this.bend && this.peak > 1e-3 && !this.sound.waiting) this.figure("thd_now_percent", this.bend.thd(decibelsOf(Math.min(this.peak, 4))), "expected");
    }
  }

  // The thread goes on. Before the first sound the tape stands at its place, and nothing is drawn.
  drawOn(points, sound) {
    // Where the tape has just begun anew, its speed is not known for a moment: the line goes on as it was.
    const percent = this.probe?.address ? this.thread.points.at(-1)?.percent ?? 0 : 0;
    const made = points.length ? points : Array.from({ length: 4 }, () => ({ percent, level: 0 }));
    for (const point of made) {
      this.smooth += (sound - this.smooth) * 0.25;
      point.sound = this.smooth + point.level;
    }
    this.thread.add(made);
  }

  paint() {
    at("play").textContent = this.sound.playing ? "Pause" : "Play";
    document.body.classList.toggle("playing", this.sound.playing);
    if (!this.frame && this.sound.playing) this.frame = requestAnimationFrame(() => this.drawMoving());
    this.drawPlace();
  }

  drawPlace() {
    const place = this.placeNow;
    const text = (seconds) => `${Math.floor(seconds / 60)}:${(seconds % 60).toFixed(1).padStart(4, "0")}`;
    at("place-text").textContent = `${text(place)} / ${text(this.sound.seconds ?? 0)}`;
    if (!this.dragging) at("place").value = place;
    this.song?.draw(place);
    if (this.sound.playing && performance.now() - (this.placeTold ?? -Infinity) < TOLD_MILLISECONDS) return;
    this.placeTold = performance.now();
    at("place").setAttribute("aria-valuetext", `${place.toFixed(1)} of ${(this.sound.seconds ?? 0).toFixed(1)} seconds`);
  }

  drawMoving() {
    this.frame = null;
    this.watchLoad(); // also where the player hardly comes to tell anything
    const due = !calm.matches || performance.now() - (this.drawn ?? 0) > CALM_MILLISECONDS;
    if (due) {
      this.drawn = performance.now();
      this.drawPlace();
      this.thread.draw();
      at("thread-speed").textContent = this.thread.points.length > 2 ? `speed \u00b1${spoken(this.thread.reach, 2)} %` : "";
      drawSpectrum(at("spectrum"), this.sound.scopes);
      if (this.loop) drawCurve(at("curve"), this.loop, this.peak);
      this.drawLevels();
      this.showCurves();
    }
    if (this.sound.playing) this.frame = requestAnimationFrame(() => this.drawMoving());
  }

  drawStill() {
    if (!this.thread) return;
    at("decay-figure").hidden = !this.decays;
    at("curve-figure").hidden = !this.loop;
    if (this.decays) drawDecay(at("decay"), this.decays);
    if (this.loop) drawCurve(at("curve"), this.loop, this.peak);
    if (!this.sound.playing) {
      this.thread.draw();
      drawSpectrum(at("spectrum"), this.sound.scopes);
      this.drawPlace();
      this.drawLevels();
    }
  }

  drawLevels() {
    const due = !this.sound.playing || performance.now() - (this.levelsTold ?? -Infinity) > TOLD_MILLISECONDS / 4;
    if (due) this.levelsTold = performance.now();
    for (const [name, peak] of Object.entries(this.hold)) {
      const { bar, text } = this.levelBars[name];
      const decibels = decibelsOf(peak);
      bar.style.setProperty("--share", clamp((decibels + 60) / 60, 0, 1));
      bar.classList.toggle("over", decibels > 0);
      if (!due) continue;
      bar.setAttribute("aria-valuenow", clamp(Math.round(decibels), -60, 0));
      const size = Math.abs(decibels).toFixed(1);
      const words = decibels < -59 ? "silent" : decibels > 0 && size !== "0.0" ? `${size} dB over full scale` : `${size} dB of headroom`;
      bar.setAttribute("aria-valuetext", words);
      text.textContent = words;
    }
  }

  // ------------------------------------------------------------ beginning
  async begin() {
    await this.sound.load();
    this.samples = new Map(data.stems.map((stem, index) => [stem, this.sound.stems[index]]));
    solver = this.sound.exactEngine();
    this.readLink();
    this.strips = new Strips(at("strips"), this);
    this.listPresets();
    this.wire();
    this.buildFigures();
    this.probe = new Probe(this.sound.exactEngine());
    this.thread = new Thread(at("thread"));
    this.song = new Song(at("song"), this.sound);
    this.buildStems();
    this.hidden = new HiddenComparison(this);
    this.showLoop();
    this.sound.onMeters = (message) => this.hearMeters(message);
    this.sound.failed = (text) => this.say(text);
    this.refresh();
    if (this.mistake) this.say(`Line ${this.mistake.line}: ${this.mistake.message}.`);
    document.body.classList.add("ready");
  }

  buildFigures() {
    this.figureCells = new Map();
    at("figures").replaceChildren(
      ...MEASURED.map(([key, label]) => {
        const value = make("span", { class: "number" }, "\u2013");
        const how = make("span", { class: "how" });
        const element = make("div", {}, make("dt", {}, label), make("dd", {}, value, how));
        this.figureCells.set(key, { element, value, how });
        return element;
      }),
    );
    at("meanings").replaceChildren(...MEASURED.flatMap(([, label, , meaning]) => [make("dt", {}, label), make("dd", {}, meaning)]));
    at("figures-note").textContent = data.server
      ? "Expected figures follow from the settings at once; the laboratory then measures them in the background."
      : "Expected figures follow from the settings. The command tapeemu desk has the laboratory measure them.";
    this.levelBars = {};
    at("levels").replaceChildren(
      ...[["in", "In"], ["out", "Out"]].map(([name, label]) => {
        const bar = make("div", { class: "meter", role: "meter", "aria-label": `Level ${label.toLowerCase()}`, "aria-valuemin": -60, "aria-valuemax": 0, "aria-valuenow": -60 }, make("span"));
        const text = make("span", { class: "soft" });
        this.levelBars[name] = { bar, text };
        return make("div", { class: "level" }, make("span", {}, label), bar, text);
      }),
    );
  }

  buildStems() {
    const focused = document.activeElement?.id;
    at("stems").replaceChildren(
      ...data.stems.map((stem, index) => {
        const mix = this.sound.mix[index];
        const send = () => {
          this.sound.sendMix();
          this.show();
        };
        const level = { type: "number", unit: "dB", ge: -60, le: 12, gt: null, lt: null, default: 0 };
        const place = { type: "number", unit: "%", ge: -100, le: 100, gt: null, lt: null, default: 0 };
        const sliderFor = (name, label, field, value, set, sense) => {
          const slider = new Slider({
            id: `stem-${index}-${name}`,
            label,
            field,
            sense,
            began: () => this.pause(`stem ${index} ${name}`),
            set: (wanted) => {
              this.step(`stem ${index} ${name}`);
              set(wanted);
              slider.show(wanted, 0);
              send();
            },
            clear: () => slider.set(0),
          });
          slider.show(value, 0);
          return slider.element;
        };
        const button = (name, label) => {
          const element = make("button", { type: "button", class: "quiet", id: `stem-${index}-${name}`, "aria-pressed": String(mix[name]), "aria-label": `${label}: ${stem.name}` }, label);
          element.addEventListener("click", () => {
            this.step(`stem ${index} ${name} ${performance.now()}`);
            mix[name] = !mix[name];
            element.setAttribute("aria-pressed", String(mix[name]));
            send();
          });
          return element;
        };
        return make(
          "fieldset",
          { class: "stem" },
          make("legend", {}, stem.name),
          sliderFor("level", "Level", level, mix.level, (value) => { Object.assign(mix, { level: value, gain: value <= -60 ? 0 : gainOf(value) }); }, "How loud this stem is; the files that are rendered keep their own level."),
          sliderFor("place", "Place", place, 100 * mix.pan, (value) => { mix.pan = value / 100; }, "Left or right; the files that are rendered keep their own place."),
          make("div", { class: "row" }, button("silent", "Silent"), button("alone", "Alone"), make("span", { class: "soft" }, `track ${index}`)),
        );
      }),
    );
    arrange(at("stems"), STEM_REM);
    if (focused) at(focused)?.focus();
  }

  wire() {
    const on = (id, event, act) => at(id).addEventListener(event, act);
    on("play", "click", () => this.toggle());
    on("back", "click", () => {
      this.sound.go(this.sound.loop[0]);
      this.paint();
    });
    on("place", "input", (event) => {
      this.dragging = true;
      this.sound.go(Number(event.target.value));
      this.drawPlace();
    });
    on("place", "change", () => {
      this.dragging = false;
    });
    on("volume", "input", (event) => this.setVolume(Number(event.target.value)));
    on("dry", "click", () => this.setDry(!this.sound.dry));
    on("record", "click", () => this.setRecording(!this.recording.on));
    document.addEventListener("pointerdown", () => this.recording.press(true), true);
    for (const event of ["pointerup", "pointercancel"]) document.addEventListener(event, () => this.recording.press(false));
    on("match", "change", () => this.applyMatch());
    on("undo", "click", () => this.undo());
    on("redo", "click", () => this.redo());
    on("use-a", "click", () => this.use(0));
    on("use-b", "click", () => this.use(1));
    on("copy", "click", () => this.copy());
    on("link", "click", () => this.copyLink());
    on("preset", "change", (event) => this.choosePreset(Number(event.target.value)));
    on("text", "input", (event) => this.edit(event.target.value, "text"));
    on("text", "blur", () => this.show());
    const setLoop = () => {
      // An empty field is the edge of the song; what is no number leaves the part as it was.
      const number = (id, edge) => {
        const text = at(id).value.trim().replace(",", ".");
        return text === "" ? edge : Number(text);
      };
      const [from, to] = [number("from", 0), number("to", this.sound.seconds)];
      if (Number.isFinite(from) && Number.isFinite(to)) return this.setPart(from, to);
      this.say("The part to repeat is given in seconds, such as 2.5.");
      return this.showLoop();
    };
    for (const id of ["from", "to"]) {
      on(id, "change", setLoop);
      on(id, "focus", (event) => event.target.select());
    }
    on("whole", "click", () => this.setPart(0, this.sound.seconds));
    at("add").append(make("option", { value: "" }, "Add a stage"), ...Object.keys(data.kinds).map((kind) => make("option", { value: kind }, kindInWords(kind))));
    on("add", "change", (event) => {
      if (event.target.value) this.add(event.target.value);
      event.target.value = "";
    });
    on("save", "click", () => {
      this.attempt(() => this.lookAtStems());
      at("save-name").value = this.names[this.current];
      at("save-purpose").value = this.document?.root.values.purpose ?? "";
      this.sayOfSaving("");
      at("save-dialog").showModal();
    });
    on("save-files", "click", () => this.saveFiles().catch((error) => this.sayOfSaving(error.message, true)));
    on("save-form", "submit", (event) => {
      if (event.submitter?.value === "close") return;
      event.preventDefault();
      this.savePreset(); // by Enter in a field as well
    });
    on("song", "pointerdown", (event) => {
      const box = event.target.getBoundingClientRect();
      this.sound.go(((event.clientX - box.left) / box.width) * this.sound.seconds);
      this.drawPlace();
    });
    document.addEventListener("keydown", (event) => this.key(event));
    document.addEventListener("dragover", (event) => {
      if (!event.dataTransfer.types.includes("Files")) return;
      event.preventDefault();
      document.body.classList.add("over");
    });
    for (const leave of ["dragleave", "drop"]) document.addEventListener(leave, () => document.body.classList.remove("over"));
    document.addEventListener("drop", (event) => {
      if (!event.dataTransfer.files.length) return;
      event.preventDefault();
      this.takeFiles([...event.dataTransfer.files]);
    });
    on("files", "change", (event) => {
      this.takeFiles([...event.target.files]);
      event.target.value = "";
    });
    window.addEventListener("focus", () => this.attempt(() => this.lookAtStems()));
    const redraw = () => {
      arrange(at("strips"), STRIP_REM);
      arrange(at("stems"), STEM_REM);
      this.drawStill();
    };
    new ResizeObserver(redraw).observe(document.body);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
  }

  key(event) {
    if (at("save-dialog").open || this.hidden?.test) return; // where nothing of the desk may change
    const typing = event.target.matches('input[type="text"], textarea, select');
    if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z" && !event.target.matches("textarea")) {
      if (event.shiftKey) this.redo();
      else this.undo();
      event.preventDefault();
      return;
    }
    if (typing || event.ctrlKey || event.metaKey || event.altKey) return;
    const pressing = event.target.matches("button, summary, input");
    const act = { " ": pressing ? null : () => this.toggle(), d: () => this.setDry(!this.sound.dry), a: () => this.use(0), b: () => this.use(1), r: () => this.setRecording(!this.recording.on) }[event.key.toLowerCase()];
    if (!act) return;
    act();
    event.preventDefault();
  }
}

const desk = new Desk();
window.tapeemuDesk = { desk, data, PresetText, setupOf, setupOfPreset, addsSound, hearsItsTrack, Engine };
if (data.server) history.replaceState(null, "", `${data.server.place}${location.hash}`);
desk.begin().catch((error) => desk.say(`The desk cannot begin: ${error.message}.`));
