// The part of the page that moves: settings to try, curves, score over delay. Without it the page is whole.
"use strict";

(() => {
  const block = document.getElementById("model");
  if (!block) return;
  const model = readModel(JSON.parse(block.textContent));
  const root = document.getElementById("try");
  const at = (name) => root.querySelector(`[data-part="${name}"]`);
  const captured = presentSettings(model), recommended = recommendedSettings(model);
  const audience = [...model.positions.keys()].filter((p) => model.positions[p].zone === "audience");
  const centres = model.bands.map(([hz]) => hz);
  const octaves = centres.filter((hz) => [31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000].includes(hz));
  const minus = (text) => text.replace("-", "\u2212");
  const db = (value, digits = 1) => (Number.isFinite(value) ? minus(value.toFixed(digits)) : "–");

  let yours = settingsFrom(location.hash.replace(/^#try=/, ""), model.outputs.length)
    ?? recommended.map((s) => ({ ...s }));

  // ---- controls: one row per output

  const controls = model.outputs.map((output, i) => {
    const row = at("row").content.firstElementChild.cloneNode(true);
    const of = (name) => row.querySelector(`[data-part="${name}"]`);
    of("name").textContent = output.name;
    const [delay, polarity, level, mute] = ["delay", "polarity", "level", "mute"].map(of);
    for (const [control, what] of [[delay, "delay in ms"], [polarity, "inverted"], [level, "level in dB"], [mute, "mute"]]) {
      control.setAttribute("aria-label", `${output.name}: ${what}`);
    }
    const read = () => {
      const number = (input, otherwise) => (input.value !== "" && input.validity.valid ? input.valueAsNumber : otherwise);
      yours[i] = {
        delay_ms: number(delay, yours[i].delay_ms),
        polarity: polarity.checked ? "inverted" : "normal",
        level_db: number(level, yours[i].level_db),
        mute: mute.checked,
      };
      follow();
    };
    for (const control of [delay, polarity, level, mute]) control.addEventListener("input", read);
    row.addEventListener("focusin", () => choose(i));
    at("rows").append(row);
    return { row, delay, polarity, level, mute, said: of("said") };
  });

  function show() {
    yours.forEach((s, i) => {
      const c = controls[i];
      c.delay.value = Number(s.delay_ms.toFixed(4));
      c.polarity.checked = s.polarity === "inverted";
      c.level.value = s.level_db;
      c.mute.checked = s.mute;
    });
  }

  // ---- what is looked at

  const seat = at("seat"), swept = at("swept");
  const option = (select, value, text) => {
    const one = document.createElement("option");
    one.value = value;
    one.textContent = text;
    select.append(one);
  };
  if (audience.length > 1) option(seat, "all", "all seats, mean");
  model.positions.forEach((position, p) => option(seat, p, position.name));
  model.outputs.forEach((output, i) => option(swept, i, output.name));
  const first = model.outputs.findIndex((o) => o.to_delay_ms !== o.delay_ms || o.to_polarity !== o.polarity);
  swept.value = Math.max(first, Math.min(1, model.outputs.length - 1));
  seat.addEventListener("input", () => follow());
  swept.addEventListener("input", () => follow());

  function choose(i) {
    if (Number(swept.value) === i) return;
    swept.value = i;
    follow();
  }

  // ---- curves

  const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const axis = (label, more) => ({
    label, stroke: css("--muted"), grid: { stroke: css("--grid"), width: 1 }, ticks: { show: false },
    font: "12px system-ui, sans-serif", labelFont: "12px system-ui, sans-serif", ...more,
  });
  const hertz = (f) => (f >= 1000 ? `${f / 1000} k` : `${f}`);
  const line = (label, colour, width, dash) => ({
    label, stroke: css(colour), width, dash, points: { show: false }, value: (_, v) => (v == null ? "–" : `${db(v)} dB`),
  });
  let curves, sweep;

  function build() {
    curves?.destroy();
    sweep?.destroy();
    const width = (part) => Math.max(280, part.clientWidth);
    curves = new uPlot({
      width: width(at("curves")), height: 320, cursor: { drag: { setScale: false } },
      scales: { x: { time: false, distr: 3, range: (_, low, high) => [low * 0.9, high * 1.1] }, y: { range: (_, low, high) => [Math.max(low, high - 40) - 1, high + 2] } },
      axes: [
        axis("Frequency (Hz)", {
          splits: (plot) => octaves.filter((_, k) => k % 2 === 1 || plot.width > 480), filter: (_, at_hz) => at_hz, values: (_, at_hz) => at_hz.map(hertz),
        }),
        axis("Level (dB)", { values: (_, at_db) => at_db.map((v) => db(v, 0)) }),
      ],
      series: [
        { label: "Third octave", value: (_, f) => (f == null ? "–" : `${hertz(f)} Hz`) },
        line("most there could be", "--muted", 1, [2, 3]),
        line("as captured", "--present", 1.5, [6, 3]),
        line("recommended", "--recommended", 1.5),
        line("yours", "--ink", 2.5),
      ],
    }, [centres, [], [], [], []], at("curves"));
    sweep = new uPlot({
      width: width(at("sweep")), height: 240, cursor: { drag: { setScale: false } },
      scales: { x: { time: false } },
      axes: [axis("Delay setting (ms)"), axis("Score (dB)", { values: (_, at_db) => at_db.map((v) => db(v, 1)) })],
      series: [
        { label: "Delay", value: (_, v) => (v == null ? "–" : `${v.toFixed(1)} ms`) },
        line("normal", "--s0", 2),
        line("inverted", "--s1", 2, [6, 3]),
      ],
      hooks: { draw: [marks] },
    }, [[], [], []], at("sweep"));
  }

  // Where the recommended setting and yours stand on the map.
  function marks(plot) {
    const i = Number(swept.value), context = plot.ctx;
    for (const [settings, colour, dash] of [[recommended, "--recommended", []], [yours, "--ink", [4, 4]]]) {
      const x = plot.valToPos(settings[i].delay_ms, "x", true);
      if (x < plot.bbox.left || x > plot.bbox.left + plot.bbox.width) continue;
      context.save();
      context.strokeStyle = css(colour);
      context.lineWidth = 2 * devicePixelRatio;
      context.setLineDash(dash.map((d) => d * devicePixelRatio));
      context.beginPath();
      context.moveTo(x, plot.bbox.top);
      context.lineTo(x, plot.bbox.top + plot.bbox.height);
      context.stroke();
      context.restore();
    }
  }

  // ---- what follows from the settings

  const looked = () => (seat.value === "all" ? audience : [Number(seat.value)]);
  const still = new Map();  // sums of settings that do not move

  function levels(sums, what) {
    const energies = looked().map((p) => bandEnergies(model, sums[p]));
    return centres.map((_, k) => {
      const each = energies.map((e) => decibels(e[k][what]));
      return each.reduce((a, b) => a + b, 0) / each.length;
    });
  }

  function sumsOf(name, settings) {
    if (!still.has(name)) still.set(name, sumOf(model, settings));
    return still.get(name);
  }

  function update() {
    const now = sumOf(model, yours), before = sumsOf("captured", captured), best = sumsOf("recommended", recommended);
    const all = [levels(now, "most"), levels(before, "actual"), levels(best, "actual"), levels(now, "actual")];
    const top = Math.max(...all[0]);
    curves.setData([centres, ...all.map((values) => values.map((v) => v - top))]);
    const scores = [now, before, best].map((sums) => scoreOf(model, sums));
    say(scores);
    const i = Number(swept.value), from = Math.max(0, Math.floor(Math.min(yours[i].delay_ms, recommended[i].delay_ms)) - 20);
    const to = Math.ceil(Math.max(yours[i].delay_ms, recommended[i].delay_ms)) + 20;
    const delays = Array.from({ length: Math.round((to - from) * 10) + 1 }, (_, d) => from + d / 10);
    const { normal, inverted } = scoreOverDelay(model, yours, i, delays);
    sweep.setData([delays, normal, inverted]);
    controls.forEach((c, k) => {
      const s = yours[k], r = recommended[k];
      const is = s.delay_ms === r.delay_ms && s.polarity === r.polarity && s.level_db === 0 && !s.mute;
      c.said.textContent = is ? "as recommended" : "";
      c.row.classList.toggle("is-swept", k === i);
    });
  }

  function say([now, before, best]) {
    const heard = audience.filter((p) => Number.isFinite(now.position_db[p]));
    const worst = heard.reduce((a, p) => (a === null || now.position_db[p] < now.position_db[a] ? p : a), null);
    at("score").textContent = db(now.mean_db, 2);
    at("others").textContent = `${db(before.mean_db, 2)} dB as captured, ${db(best.mean_db, 2)} dB as recommended`;
    at("worst").textContent = worst === null ? "–" : model.positions[worst].name;
    at("worst-score").textContent = worst === null ? "" : `, ${db(now.position_db[worst], 2)} dB`;
  }

  let waiting = false;
  function follow() {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => {
      waiting = false;
      update();
      const same = settingsText(yours) === settingsText(recommended);
      history.replaceState(null, "", same ? location.pathname + location.search : `#try=${settingsText(yours)}`);
    });
  }

  function set(settings) {
    yours = settings.map((s) => ({ ...s }));
    show();
    follow();
  }

  at("recommended").addEventListener("click", () => set(recommended));
  at("captured").addEventListener("click", () => set(captured));
  at("copy").addEventListener("click", () => {
    const text = yours.map((s, i) => {
      const level = s.mute ? "muted" : `${s.level_db > 0 ? "+" : ""}${s.level_db} dB`;
      return `${model.outputs[i].name}\t${s.delay_ms.toFixed(2)} ms\t${s.polarity}\t${level}`;
    });
    const field = at("text");
    field.value = [document.title, ...text, location.href].join("\n");
    field.hidden = false;
    field.focus();
    field.select();
    navigator.clipboard?.writeText(field.value).catch(() => {});  // it stands selected in the field all the same
  });

  root.hidden = false;
  for (const link of document.querySelectorAll("[data-needs-script]")) link.hidden = false;
  show();
  build();
  update();
  addEventListener("resize", () => { build(); update(); });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { build(); update(); });
})();
