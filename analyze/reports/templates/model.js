// Sums of all outputs from the page's block of responses: plain arithmetic, nothing here touches the page.
//
// A setting is { delay_ms, polarity: "normal" | "inverted", level_db, mute } per output. Responses stand at present
// settings, so what is applied to them is the change: a sign, a delay, a level.
"use strict";

const FLOOR = 1e-12;

// The block with its responses decoded: re and im, one array per output and position.
function readModel(block) {
  const bytes = Uint8Array.from(atob(block.responses), (c) => c.charCodeAt(0));
  const view = new DataView(bytes.buffer);
  const n = block.lines.length;
  let at = 0;
  const h = block.outputs.map((_, i) => block.positions.map((_, p) => {
    const unit = block.scale[i][p];
    const re = new Float64Array(n), im = new Float64Array(n);
    for (let k = 0; k < n; k++, at += 4) {
      re[k] = unit * view.getInt16(at, true);
      im[k] = unit * view.getInt16(at + 2, true);
    }
    return { re, im };
  }));
  return { ...block, h, n, frequency_hz: block.lines.map((line) => line * block.line_spacing_hz) };
}

function presentSettings(model) {
  return model.outputs.map((o) => ({ delay_ms: o.delay_ms, polarity: o.polarity, level_db: 0, mute: false }));
}

function recommendedSettings(model) {
  return model.outputs.map((o) => ({ delay_ms: o.to_delay_ms, polarity: o.to_polarity, level_db: 0, mute: false }));
}

// Gain with sign, and delay in seconds, of a setting on top of the present one.
function changeOf(output, setting) {
  const level = setting.mute ? 0 : 10 ** (setting.level_db / 20);
  const sign = setting.polarity === output.polarity ? 1 : -1;
  return { gain: sign * level, delay_s: (setting.delay_ms - output.delay_ms) / 1000 };
}

// Sum of some outputs at every position, and the sum of their magnitudes, which is the most they could give.
function sumOf(model, settings, outputs) {
  const n = model.n;
  const sums = model.positions.map(() => ({
    re: new Float64Array(n), im: new Float64Array(n), most: new Float64Array(n),
  }));
  for (const i of outputs ?? model.outputs.keys()) {
    const { gain, delay_s } = changeOf(model.outputs[i], settings[i]);
    if (gain === 0) continue;
    for (let k = 0; k < n; k++) {
      const angle = -2 * Math.PI * model.frequency_hz[k] * delay_s;
      const c = gain * Math.cos(angle), s = gain * Math.sin(angle);
      for (let p = 0; p < sums.length; p++) {
        const { re, im } = model.h[i][p], sum = sums[p];
        sum.re[k] += c * re[k] - s * im[k];
        sum.im[k] += c * im[k] + s * re[k];
        sum.most[k] += Math.abs(gain) * Math.hypot(re[k], im[k]);
      }
    }
  }
  return sums;
}

const decibels = (ratio) => 10 * Math.log10(Math.max(ratio, FLOOR));

// Mean energies per band of one position's sum: as it adds up, and the most there could be.
function bandEnergies(model, sum) {
  return model.bands.map(([, first, stop]) => {
    let actual = 0, most = 0;
    for (let k = first; k < stop; k++) {
      actual += sum.re[k] ** 2 + sum.im[k] ** 2;
      most += sum.most[k] ** 2;
    }
    return { actual: actual / (stop - first), most: most / (stop - first) };
  });
}

// Sum efficiency in dB: mean over the audience's cells, and per position.
function scoreOf(model, sums) {
  const byPosition = model.positions.map(() => ({ total: 0, n: 0 }));
  let total = 0, weights = 0;
  for (const [p, first, stop, weight] of model.cells) {
    let actual = 0, most = 0;
    for (let k = first; k < stop; k++) {
      actual += sums[p].re[k] ** 2 + sums[p].im[k] ** 2;
      most += sums[p].most[k] ** 2;
    }
    const db = decibels(actual / Math.max(most, 1e-300));
    total += weight * db;
    weights += weight;
    byPosition[p].total += db;
    byPosition[p].n += 1;
  }
  return {
    mean_db: weights > 0 ? total / weights : NaN,
    position_db: byPosition.map(({ total, n }) => (n > 0 ? total / n : NaN)),
  };
}

// Score over the delay setting of one output, for both of its polarities, everything else as set.
function scoreOverDelay(model, settings, output, delays_ms) {
  const others = [...model.outputs.keys()].filter((i) => i !== output);
  const rest = sumOf(model, settings, others);
  const upright = settings.map((s, i) => (i === output ? { ...s, polarity: "normal", delay_ms: delays_ms[0] } : s));
  const own = sumOf(model, upright, [output]);
  const step_s = (delays_ms[1] - delays_ms[0]) / 1000;
  const scores = { normal: delays_ms.map(() => 0), inverted: delays_ms.map(() => 0) };
  let weights = 0;
  for (const [p, first, stop, weight] of model.cells) {
    let apart = 0, most = 0;
    const n = stop - first;
    const re = new Float64Array(n), im = new Float64Array(n), c = new Float64Array(n), s = new Float64Array(n);
    for (let k = first; k < stop; k++) {
      const a = rest[p], b = own[p];
      apart += a.re[k] ** 2 + a.im[k] ** 2 + b.re[k] ** 2 + b.im[k] ** 2;
      most += (a.most[k] + b.most[k]) ** 2;
      re[k - first] = a.re[k] * b.re[k] + a.im[k] * b.im[k];
      im[k - first] = a.re[k] * b.im[k] - a.im[k] * b.re[k];
      const angle = -2 * Math.PI * model.frequency_hz[k] * step_s;
      c[k - first] = Math.cos(angle);
      s[k - first] = Math.sin(angle);
    }
    weights += weight;
    for (let d = 0; d < delays_ms.length; d++) {
      let cross = 0;
      for (let k = 0; k < n; k++) {
        cross += re[k];
        const turned = re[k] * c[k] - im[k] * s[k];
        im[k] = re[k] * s[k] + im[k] * c[k];
        re[k] = turned;
      }
      scores.normal[d] += weight * decibels((apart + 2 * cross) / Math.max(most, 1e-300));
      scores.inverted[d] += weight * decibels((apart - 2 * cross) / Math.max(most, 1e-300));
    }
  }
  const mean = (values) => values.map((v) => (weights > 0 ? v / weights : NaN));
  return { normal: mean(scores.normal), inverted: mean(scores.inverted) };
}

// Settings as short text and back: delay, n or i, level, m where muted; outputs by their order.
function settingsText(settings) {
  const one = (s) => [Number(s.delay_ms.toFixed(4)), s.polarity[0], s.level_db, s.mute ? "m" : ""].join(",");
  return settings.map(one).join(";");
}

function settingsFrom(text, n) {
  const parts = text.replaceAll("%2C", ",").replaceAll("%3B", ";").split(";").map((part) => part.split(","));
  if (parts.length !== n) return null;
  const settings = parts.map(([delay, polarity, level, mute]) => ({
    delay_ms: Number(delay),
    polarity: polarity === "i" ? "inverted" : "normal",
    level_db: Number(level),
    mute: mute === "m",
  }));
  return settings.every((s) => Number.isFinite(s.delay_ms) && Number.isFinite(s.level_db)) ? settings : null;
}
