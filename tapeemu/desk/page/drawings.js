// What is happening, drawn: the thread of the last seconds, the curve of the saturation, decay, spectra, levels.

const THREAD_SECONDS = 9; // at most: on a narrow screen fewer, so that each sway is still seen
const THREAD_PIXELS = 150; // for a second
const POINTS_PER_SECOND = 120;
const calm = matchMedia("(prefers-reduced-motion: reduce)");

const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();

// A canvas as sharp as the screen, cleared, with its size in points.
const sheetOf = (canvas) => {
  const ratio = window.devicePixelRatio || 1;
  const [width, height] = [canvas.clientWidth, canvas.clientHeight];
  if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
    canvas.width = Math.round(width * ratio);
    canvas.height = Math.round(height * ratio);
  }
  const sheet = canvas.getContext("2d");
  sheet.setTransform(ratio, 0, 0, ratio, 0, 0);
  sheet.clearRect(0, 0, width, height);
  return { sheet, width, height };
};

// What moves time and level, as a meter hears it: a tone of 3150 Hz through these stages alone, as a turning pointer in
// two channels. Its angle tells the delay, its length the level.
class Probe {
  constructor(engine) {
    this.engine = engine;
    this.address = 0;
    this.turns = 3150 / data.rate;
  }

  take(setup) {
    const moving = setup.stages.filter((stage) => ["wow_flutter", "amplitude_flutter"].includes(stage.sort));
    const key = JSON.stringify(moving.map((stage) => [stage.kind, stage.numbers.map(String)]));
    if (key === this.key) return;
    this.key = key;
    this.address = 0;
    if (!moving.length) return;
    this.engine.create({ stages: moving, groups: [] }, { rate: data.rate, channels: 2 }, this.engine.first);
    this.address = this.engine.first;
    this.latency = this.engine.exports.desk_latency(this.address);
    this.error = ratioOf({ stages: moving }) !== 1;
    this.place = null;
  }

  // Deviation of the speed in percent, and level in dB, at points between two places in samples.
  run(from, to) {
    if (!this.address || this.error || to <= from) return [];
    if (this.place !== from) {
      this.engine.exports.desk_seek(this.address, from);
      this.fed = 0;
      this.last = null;
    }
    this.place = to;
    const found = [];
    // Pieces as even as can be: the thread draws its points at equal distances.
    const pieces = Math.max(1, Math.round(((to - from) * POINTS_PER_SECOND) / data.rate));
    for (let piece = 0, start = from; piece < pieces; piece += 1) {
      const count = Math.round(((piece + 1) * (to - from)) / pieces) - (start - from);
      start += count;
      const input = [0, 1].map((side) => Float64Array.from({ length: count }, (_, i) => Math.cos(2 * Math.PI * ((this.turns * (this.fed + i)) % 1) - (side * Math.PI) / 2)));
      const out = [new Float64Array(count), new Float64Array(count)];
      this.engine.process(this.address, 2, input, out, count);
      this.fed += count;
      const [x, y] = [out[0][count - 1], out[1][count - 1]];
      const size = Math.hypot(x, y);
      if (this.fed < this.latency + 128) continue;
      const angle = Math.atan2(y, x) / (2 * Math.PI) - ((this.turns * (this.fed - 1 - this.latency)) % 1);
      const before = this.last;
      this.last = { angle, at: this.fed };
      if (!before) continue;
      const turned = angle - before.angle - Math.round(angle - before.angle);
      const percent = (100 * turned) / (this.turns * (this.fed - before.at));
      found.push({ percent, level: decibelsOf(size) });
    }
    return found;
  }
}

class Thread {
  constructor(canvas) {
    this.canvas = canvas;
    this.points = [];
    this.reach = 0.1;
  }

  add(points) {
    this.points.push(...points);
    const oldest = this.points.length - Math.round(THREAD_SECONDS * POINTS_PER_SECOND) - 2;
    if (oldest > 0) this.points.splice(0, oldest);
  }

  // One line: where it lies is the speed, how thick it is the level of the sound, and it pales where the tape does.
  draw() {
    const { sheet, width, height } = sheetOf(this.canvas);
    const middle = height * 0.5;
    sheet.strokeStyle = colour("rule");
    sheet.lineWidth = 1;
    const straight = () => {
      sheet.beginPath();
      sheet.moveTo(0, middle);
      sheet.lineTo(width, middle);
      sheet.stroke();
    };
    sheet.setLineDash([1, 7]);
    straight();
    sheet.setLineDash([]);
    const across = Math.max(width / THREAD_SECONDS, THREAD_PIXELS) / POINTS_PER_SECOND;
    const points = this.points.slice(-Math.ceil(width / across) - 2);
    if (points.length < 2) {
      sheet.strokeStyle = colour("ink");
      sheet.lineWidth = 1.5;
      straight();
      return;
    }
    const highest = points.reduce((most, point) => Math.max(most, Math.abs(point.percent)), 0.02);
    // It follows slowly, but never leaves the picture.
    this.reach = Math.max(this.reach + (highest * 1.25 - this.reach) * 0.06, highest);
    const scale = (height * 0.36) / this.reach;
    const first = width - (points.length - 1) * across;
    const y = (point) => middle - point.percent * scale;
    const thick = (point) => 0.8 + 0.13 * height * clamp((point.sound + 60) / 60, 0, 1) ** 2.2;
    const ribbon = (name, grow, alpha) => {
      sheet.fillStyle = colour(name);
      sheet.globalAlpha = alpha;
      sheet.beginPath();
      points.forEach((point, i) => sheet.lineTo(first + i * across, y(point) - thick(point) * grow));
      for (let i = points.length - 1; i >= 0; i -= 1) sheet.lineTo(first + i * across, y(points[i]) + thick(points[i]) * grow + 1);
      sheet.closePath();
      sheet.fill();
    };
    ribbon("glow", 1.9, 0.16);
    ribbon("glow", 1, 0.34);
    sheet.globalAlpha = 1;
    sheet.lineJoin = "round";
    sheet.lineWidth = 1.6;
    sheet.strokeStyle = colour("mark");
    sheet.beginPath();
    sheet.moveTo(first, y(points[0]));
    for (let i = 1; i < points.length - 1; i += 1) {
      const x = first + i * across;
      sheet.quadraticCurveTo(x, y(points[i]), x + 0.5 * across, 0.5 * (y(points[i]) + y(points[i + 1])));
    }
    sheet.stroke();
    const last = points.at(-1);
    sheet.fillStyle = colour("mark");
    sheet.beginPath();
    sheet.arc(width - 4, y(last), 3.5, 0, 7);
    sheet.fill();
  }
}

// With a rim of the ground, so that it is read where a line passes behind it.
const axisText = (sheet, text, x, y, align = "center") => {
  sheet.font = "12px system-ui, sans-serif";
  sheet.textAlign = align;
  sheet.strokeStyle = colour("ground");
  sheet.lineWidth = 4;
  sheet.lineJoin = "round";
  sheet.strokeText(text, x, y);
  sheet.fillStyle = colour("soft");
  sheet.fillText(text, x, y);
};

const drawSpectrum = (canvas, scopes) => {
  const { sheet, width, height } = sheetOf(canvas);
  const foot = height - 20;
  const [low, high] = [20, Math.min(20000, data.rate / 2)];
  const x = (frequency) => (width * Math.log(frequency / low)) / Math.log(high / low);
  const y = (decibels) => foot * clamp((-10 - decibels) / 100, 0, 1);
  sheet.strokeStyle = colour("rule");
  sheet.lineWidth = 0.5;
  sheet.beginPath();
  for (const frequency of [100, 1000, 10000]) {
    sheet.moveTo(x(frequency), 0);
    sheet.lineTo(x(frequency), foot);
  }
  for (const decibels of [-40, -80]) {
    sheet.moveTo(0, y(decibels));
    sheet.lineTo(width, y(decibels));
  }
  sheet.stroke();
  if (scopes) drawScopes(sheet, scopes, { width, foot, low, high, y });
  for (const frequency of [100, 1000, 10000]) {
    axisText(sheet, frequency >= 1000 ? `${frequency / 1000} kHz` : `${frequency} Hz`, x(frequency), height - 5);
  }
  for (const decibels of [-40, -80]) axisText(sheet, `\u2212${-decibels} dB`, width, y(decibels) - 4, "right");
};

const drawScopes = (sheet, scopes, { width, foot, low, high, y }) => {
  const bins = new Float32Array(scopes[0].frequencyBinCount);
  [[1, "soft", 1, 0], [0, "mark", 1.8, 0.12]].forEach(([scope, name, line, fill]) => {
    scopes[scope].getFloatFrequencyData(bins);
    sheet.beginPath();
    const hertz = data.rate / 2 / bins.length;
    const columns = Math.max(60, Math.floor(width / 3));
    for (let column = 0; column <= columns; column += 1) {
      const from = low * (high / low) ** (column / columns);
      const to = low * (high / low) ** ((column + 1) / columns);
      let most = -200;
      if (to - from < hertz) {
        // Between two bins the level goes straight.
        const place = from / hertz;
        const below = Math.min(Math.floor(place), bins.length - 2);
        most = bins[below] + (place - below) * (bins[below + 1] - bins[below]);
        sheet.lineTo((column / columns) * width, y(Math.max(most, -140)));
        continue;
      }
      const [first, last] = [Math.floor(from / hertz), Math.max(Math.floor(from / hertz), Math.ceil(to / hertz) - 1)];
      for (let bin = first; bin <= last && bin < bins.length; bin += 1) most = Math.max(most, bins[bin]);
      sheet.lineTo((column / columns) * width, y(Math.max(most, -140)));
    }
    sheet.strokeStyle = colour(name);
    sheet.lineWidth = line;
    sheet.stroke();
    if (fill) {
      sheet.lineTo(width, foot);
      sheet.lineTo(0, foot);
      sheet.globalAlpha = fill;
      sheet.fillStyle = colour(name);
      sheet.fill();
      sheet.globalAlpha = 1;
    }
  });
};

// Out over in, of a slow full-scale sine through the stages that drive; with the place of the present peak.
const drawCurve = (canvas, loop, peak) => {
  const { sheet, width, height } = sheetOf(canvas);
  const size = Math.min(width, height) - 8;
  const [left, top] = [(width - size) / 2, (height - size) / 2];
  const x = (value) => left + (size * (value + 1)) / 2;
  const y = (value) => top + (size * (1 - value)) / 2;
  sheet.strokeStyle = colour("rule");
  sheet.lineWidth = 0.75;
  sheet.beginPath();
  sheet.moveTo(x(-1), y(0));
  sheet.lineTo(x(1), y(0));
  sheet.moveTo(x(0), y(-1));
  sheet.lineTo(x(0), y(1));
  sheet.stroke();
  sheet.setLineDash([2, 5]);
  sheet.beginPath();
  sheet.moveTo(x(-1), y(-1));
  sheet.lineTo(x(1), y(1));
  sheet.stroke();
  sheet.setLineDash([]);
  const most = Math.max(1, ...loop.out.map(Math.abs));
  const shown = clamp(peak, 0, 1);
  const path = (from, to) => {
    sheet.beginPath();
    for (let i = 0; i < loop.in.length; i += 1) {
      if (Math.abs(loop.in[i]) < from || Math.abs(loop.in[i]) > to) {
        sheet.stroke();
        sheet.beginPath();
      } else {
        sheet.lineTo(x(loop.in[i]), y(loop.out[i] / most));
      }
    }
    sheet.stroke();
  };
  sheet.strokeStyle = colour("soft");
  sheet.lineWidth = 1.2;
  path(0, 2);
  sheet.strokeStyle = colour("mark");
  sheet.lineWidth = 3;
  sheet.lineCap = "round";
  if (shown > 0.003) path(0, shown);
};

const drawDecay = (canvas, seconds) => {
  const { sheet, width, height } = sheetOf(canvas);
  const foot = height - 20;
  const usable = OCTAVES_HZ.filter((each) => each <= 0.45 * data.rate);
  const gap = width / usable.length;
  const most = Math.max(...seconds.slice(0, usable.length)) * 1.15;
  usable.forEach((_, band) => {
    const x = gap * (band + 0.5);
    const name = ["63", "125", "250", "500", "1k", "2k", "4k", "8k", "16k"][band];
    axisText(sheet, name, x, height - 5);
    const top = foot - (foot - 16) * (seconds[band] / most);
    // A decay as it is heard: dense at first, fading as it goes on.
    const fade = sheet.createLinearGradient(0, foot, 0, top);
    fade.addColorStop(0, colour("mark"));
    fade.addColorStop(1, colour("glow"));
    sheet.fillStyle = fade;
    sheet.beginPath();
    sheet.roundRect(x - Math.min(9, gap * 0.28), top, Math.min(18, gap * 0.56), foot - top, 3);
    sheet.fill();
    if (gap > 26) axisText(sheet, spoken(seconds[band], 2), x, top - 5);
  });
};

// The outline of all stems together, the part that repeats, and where the tape is.
class Song {
  constructor(canvas, sound) {
    this.canvas = canvas;
    this.sound = sound;
    const columns = 900;
    this.peaks = Float32Array.from({ length: columns }, (_, column) => {
      const total = sound.seconds * data.rate;
      const [from, to] = [Math.floor((column * total) / columns), Math.floor(((column + 1) * total) / columns)];
      let most = 0;
      for (const stem of sound.stems) for (let i = from; i < to && i < stem[0].length; i += 7) most = Math.max(most, Math.abs(stem[0][i]));
      return most;
    });
  }

  draw(place) {
    const { sheet, width, height } = sheetOf(this.canvas);
    const { seconds, loop } = this.sound;
    const highest = Math.max(0.02, ...this.peaks);
    const bars = Math.max(60, Math.floor(width / 4));
    for (let bar = 0; bar < bars; bar += 1) {
      const value = this.peaks[Math.floor((bar / bars) * this.peaks.length)] / highest;
      const at_ = (bar / bars) * seconds;
      const inside = at_ >= loop[0] && at_ < loop[1];
      sheet.fillStyle = colour(inside ? (at_ <= place ? "mark" : "soft") : "rule");
      const tall = Math.max(1.5, value ** 0.7 * (height - 8));
      sheet.fillRect((bar / bars) * width, (height - tall) / 2, 2, tall);
    }
    sheet.fillStyle = colour("ink");
    sheet.fillRect(clamp((place / seconds) * width, 0, width - 1.5), 0, 1.5, height);
  }
}
