// Moves of a slider, recorded while the sound plays: points on the tape that are written into the preset.

const LEAD_SECONDS = 0.02; // from the value that was there to the first one in hand
const FINENESS = 0.004; // of a slider's length, by which a recorded course may be simplified

// A course with as few points as keep it within a tolerance (Ramer, Douglas and Peucker), at their times.
const simplified = (points, tolerance) => {
  if (points.length < 3) return points;
  const [first, last] = [points[0], points.at(-1)];
  let [worst, most] = [0, tolerance];
  for (let index = 1; index < points.length - 1; index += 1) {
    const [time, share] = points[index];
    const way = last[0] === first[0] ? 0 : (time - first[0]) / (last[0] - first[0]);
    const off = Math.abs(share - (first[1] + way * (last[1] - first[1])));
    if (off > most) [worst, most] = [index, off];
  }
  if (!worst) return [first, last];
  return [...simplified(points.slice(0, worst + 1), tolerance).slice(0, -1), ...simplified(points.slice(worst), tolerance)];
};

class Recording {
  constructor(desk) {
    this.desk = desk;
    this.on = false;
    this.hand = null; // what is being moved: path, name, field, points
    this.pressed = false;
  }

  arm(on) {
    if (!on) this.finish();
    this.on = on;
  }

  press(down) {
    this.pressed = down;
    if (!down) this.finish();
  }

  takes(path, name, value) {
    const { desk } = this;
    const kind = desk.document?.stage(path)?.values.kind;
    return this.on && desk.sound.playing && value !== null && [...(data.kinds[kind]?.moves ?? []), "mix_percent"].includes(name);
  }

  valueOf(path, name) {
    const { hand } = this;
    return hand && hand.name === name && hand.path.join() === path.join() ? hand.points.at(-1)[1] : null;
  }

  // By how much later the sound is at a stage than at the input, in seconds.
  lateAt(path, name) {
    const { sound, setup } = this.desk;
    const stage = setup.stages.findIndex((each) => each.path.join() === path.join());
    if (stage <= 0 || name === "mix_percent") return 0;
    return sound.engine.latency(setup.stages.slice(0, stage), { rate: data.rate, channels: sound.stems[0].length }) / data.rate;
  }

  // The place on the tape of the sound that a stage works on now, in seconds: of what is heard, as much later as the
  // player is late, but for what the stages before took.
  placeAt(late) {
    const [from, to] = this.desk.sound.loop;
    const heard = this.desk.placeNow;
    const place = heard + (this.desk.meters?.late ?? 0) - late;
    return heard < to && place >= to ? from + ((place - from) % (to - from)) : place;
  }

  take(path, name, value, field) {
    const { desk } = this;
    if (this.hand && this.valueOf(path, name) === null) this.finish();
    if (this.hand && this.placeAt(this.hand.late) < this.hand.points.at(-1)[0]) this.finish(); // the loop has begun anew
    if (!this.hand) {
      const late = this.lateAt(path, name);
      const declared = data.kinds[desk.document.stage(path).values.kind]?.fields[name] ?? field;
      this.hand = { path, name, late, field: declared, before: this.valueBefore(path, name, this.placeAt(late)), points: [] };
    }
    const place = this.placeAt(this.hand.late);
    this.hand.points.push([place, value]);
    this.sound();
    desk.strips.show(desk.document, desk.owns(), desk.mistake);
    clearTimeout(this.timer);
    if (!this.pressed) this.timer = setTimeout(() => this.finish(), 700);
  }

  // What the setting was at a place: of its curve, or as it is set or left out.
  valueBefore(path, name, place) {
    const curve = this.desk.setup.curves.find((each) => each.name === name && each.path.join() === path.join());
    const sample = place * data.rate;
    return curve ? curveMean(curve, sample, sample + 1) : this.desk.strips.sliders.get(`${path.join("-")} ${name}`).now;
  }

  // Let what is in hand be heard.
  sound() {
    const { path, name, points } = this.hand;
    const { desk } = this;
    try {
      const text = new PresetText(decidedBy(new PresetText(desk.text), path, name).withoutCurve(path, name));
      desk.sound.take(desk.setupFrom(new PresetText(text.withValue(path, name, literalOf(points.at(-1)[1], false)))));
    } catch (error) {
      desk.say(error.message);
    }
  }

  // Write what was recorded into the text, over what was there in the same time.
  finish() {
    const { hand, desk } = this;
    clearTimeout(this.timer);
    this.hand = null;
    if (!hand) return;
    const { path, name, late, field, before, points } = hand;
    const scale = scaleOf(field);
    const end = [Math.max(this.placeAt(late), points.at(-1)[0]), points.at(-1)[1]];
    const course = [[points[0][0] - LEAD_SECONDS, before], ...points, ...(end[0] - points.at(-1)[0] < 2 ? [end] : [])];
    const kept = simplified(course.map(([time, value]) => [time, scale.from(value)]), FINENESS).map(([time]) => course.find((each) => each[0] === time));
    const there = new PresetText(desk.text);
    let document_ = decidedBy(there, path, name);
    // What decided instead is gone: without the curve it stays as it was.
    if (document_.text !== there.text) document_ = new PresetText(document_.withValue(path, name, literalOf(tidy(before, field, true), false)));
    const old = document_.stage(path).values.automation?.find((curve) => curve.setting === name)?.points ?? [];
    const seconds = (point) => Number(point.seconds ?? Number(point.samples) / data.rate);
    const outside_ = old.filter((point) => seconds(point) < kept[0][0] || seconds(point) > kept.at(-1)[0]);
    const made = kept.map(([time, value]) => ({ seconds: Math.round(time * 1000) / 1000, value: tidy(value, field, true) }));
    const all = [...outside_.map((point) => ({ ...point, seconds: seconds(point), samples: undefined })), ...made];
    const inOrder = all.sort((one, other) => one.seconds - other.seconds).map((point) => Object.fromEntries(Object.entries(point).filter(([, value]) => value !== undefined)));
    desk.edit(document_.withCurve(path, name, inOrder), `record ${performance.now()}`);
    desk.say(`${inWords(name)} recorded: ${made.length} points.`);
  }
}
