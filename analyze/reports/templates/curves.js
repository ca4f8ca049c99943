// The two drawings that follow the settings to try: levels of the sum, and the map of score over delay.
"use strict";

const OCTAVES_HZ = [31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000];

const colour = (role) => getComputedStyle(document.documentElement).getPropertyValue(role).trim();
const hertz = (f) => (f >= 1000 ? `${f / 1000} k` : `${f}`);

function axisOf(label, more) {
  const font = "12px system-ui, sans-serif";
  return {
    label, font, labelFont: font, labelSize: 20, labelGap: 0, stroke: colour("--muted"),
    grid: { stroke: colour("--grid"), width: 1 }, ticks: { show: false }, ...more,
  };
}

function lineOf(label, role, width, dash, name) {
  const value = (_, v, __, at) => (at == null ? "" : v == null ? "not measured" : `${dbText(v, 2)} dB`);
  return { label, stroke: colour(role), width, dash, points: { show: false }, value, class: name };
}

// What both drawings share: fitted to the place they stand in, keys with the line's own dash.
function chart(place, height, series, axes, more) {
  const marks = { width: 2, dash: (plot, k) => (series[k].dash ? (series[k].dash[0] > 3 ? "dashed" : "dotted") : "solid") };
  return new uPlot({
    width: Math.max(260, place.clientWidth), height, cursor: { drag: { setScale: false } }, legend: { markers: marks },
    series, axes, ...more,
  }, series.map(() => []), place);
}

// Levels per third octave. `seats` thin lines of single seats come before the four that have names.
function levelChart(place, model, seats) {
  const centres = model.bands.map(([hz]) => hz);
  const octaves = OCTAVES_HZ.filter((hz) => hz >= centres[0] && hz <= centres.at(-1));
  let counted = [];
  const seen = (plot) => octaves.filter((_, k) => k % 2 === 1 || plot.width > 480);
  const plot = chart(place, 300, [
    { label: "third octave", class: "at-cursor", value: (_, f) => (f == null ? "" : `${hertz(f)} Hz`) },
    ...seats.map(() => lineOf("", "--present", 0.7, undefined, "one-seat")),
    lineOf("best possible", "--muted", 1.5, [2, 3]),
    lineOf("present", "--present", 1.5, [6, 3]),
    lineOf("recommended", "--recommended", 1.5),
    lineOf("yours", "--ink", 2.5),
  ], [
    axisOf("Frequency (Hz)", { size: 28, splits: seen, filter: (_, at_hz) => at_hz, values: (_, at_hz) => at_hz.map(hertz) }),
    axisOf("Level (dB)", { size: 44, values: (_, at_db) => at_db.map((v) => dbText(v, at_db.every(Number.isInteger) ? 0 : 1)) }),
  ], {
    scales: {
      x: { time: false, distr: 3, range: (_, low, high) => [low * 0.9, high * 1.1] },
      y: { range: (_, low, high) => [Math.max(low, high - 40) - 1, high + 1] },
    },
    hooks: { drawClear: [(drawn) => shade(drawn, counted)] },
  });
  return {
    plot,
    // counted_hz : third octaves that count in the score; lines : the thin ones, then the four
    show(counted_hz, lines) {
      counted = counted_hz;
      plot.setData([centres, ...lines]);
    },
  };
}

// Third octaves as areas behind the curves.
function shade(plot, centres_hz) {
  const { ctx, bbox } = plot, half = 10 ** 0.05;  // half a third octave
  ctx.save();
  ctx.fillStyle = colour("--shade");
  for (const hz of centres_hz) {
    const edges = [hz / half, hz * half].map((edge) => plot.valToPos(edge, "x", true));
    const from = Math.max(Math.floor(edges[0]), bbox.left), to = Math.min(Math.ceil(edges[1]), bbox.left + bbox.width);
    ctx.fillRect(from, bbox.top, to - from, bbox.height);
  }
  ctx.restore();
}

// Score over the delay setting of an output for both polarities, with named places on the curves.
function mapChart(place) {
  let marks = [];
  const plot = chart(place, 260, [
    { label: "delay", class: "at-cursor", value: (_, v) => (v == null ? "" : delayText(v)) },
    lineOf("normal", "--s0", 2),
    lineOf("inverted", "--s1", 2, [6, 3]),
  ], [
    axisOf("Delay setting (ms)", { size: 28 }),
    axisOf("Score (dB)", { size: 48, values: (_, at_db) => at_db.map((v) => dbText(v, 1)) }),
  ], {
    scales: { x: { time: false }, y: { range: (_, low, high) => around(low, high) } },
    hooks: { draw: [(drawn) => drawMarks(drawn, marks)] },
  });
  return {
    plot,
    // places : { name, delay_ms, score_db } of what is to be found on the map
    show(delays_ms, normal_db, inverted_db, places) {
      marks = places;
      plot.setData([delays_ms, normal_db, inverted_db]);
    },
  };
}

// At least one dB is shown, with room for names above the curves.
function around(low, high) {
  const more = Math.max(0, 1 - (high - low)) / 2;
  return [low - more - 0.05 * (high - low), high + more + 0.22 * Math.max(1, high - low)];
}

// A ring at every place, whose names stand above it; places that fall together share one ring.
function drawMarks(plot, places) {
  const { ctx, bbox } = plot, px = devicePixelRatio, rings = [];
  for (const { name, delay_ms, score_db } of places) {
    const x = plot.valToPos(delay_ms, "x", true), y = plot.valToPos(score_db, "y", true);
    if (x < bbox.left - 1 || x > bbox.left + bbox.width + 1) continue;
    const same = rings.find((ring) => Math.hypot(ring.x - x, ring.y - y) < 9 * px);
    if (same) same.names.push(name);
    else rings.push({ x, y, names: [name] });
  }
  ctx.save();
  ctx.font = `${12 * px}px system-ui, sans-serif`;
  ctx.lineWidth = 2 * px;
  ctx.setLineDash([]);
  ctx.textAlign = "left";
  ctx.textBaseline = "alphabetic";
  const taken = [];
  for (const { x, y, names } of rings) {
    ctx.beginPath();
    ctx.arc(x, y, 4.5 * px, 0, 2 * Math.PI);
    ctx.fillStyle = names.includes("yours") ? colour("--ink") : colour("--paper");
    ctx.strokeStyle = colour("--ink");
    ctx.fill();
    ctx.stroke();
    writeName(ctx, bbox, names.join(", "), x, y, taken, px);
  }
  ctx.restore();
}

// The name of a ring, moved up from names that stand there already and in from the edges.
function writeName(ctx, bbox, text, x, y, taken, px) {
  const width = ctx.measureText(text).width, height = 14 * px;
  const left = Math.min(Math.max(x - width / 2, bbox.left + 2 * px), bbox.left + bbox.width - width - 2 * px);
  const hits = (top) => taken.some((t) => left < t.left + t.width && t.left < left + width && Math.abs(t.top - top) < height);
  let top = y - 10 * px;
  while (hits(top) && top > bbox.top + height) top -= height;
  taken.push({ left, width, top });
  ctx.fillStyle = colour("--paper");
  ctx.globalAlpha = 0.8;
  ctx.fillRect(left - 2 * px, top - 11 * px, width + 4 * px, height);
  ctx.globalAlpha = 1;
  ctx.fillStyle = colour("--ink");
  ctx.fillText(text, left, top);
}
