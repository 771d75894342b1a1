"use strict";
// Asks for the state several times a second and shows it. Nothing is kept here: after a
// restart of the capture, or of this page, the next answer shows all there is.

const POLL_MS = 220, HIDDEN_MS = 1000, RETRY_MS = 500, OLD_MS = 2000, SPEAK_MS = 4000;
const $ = (id) => document.getElementById(id);
const SVG = "http://www.w3.org/2000/svg";

// The token stands behind # in the address, where no browser sends it by itself.
const TOKEN = (() => {
  const given = /(?:^|[#&])token=([0-9a-zA-Z]+)/.exec(location.hash);
  try {
    if (given) {
      sessionStorage.setItem("token", given[1]);
      history.replaceState(null, "", location.pathname);
    }
    return (given && given[1]) || sessionStorage.getItem("token");
  } catch { return given && given[1]; }
})();

const tags = {};
async function ask(path) {
  const headers = {};
  if (TOKEN) headers.Authorization = `Bearer ${TOKEN}`;
  if (tags[path]) headers["If-None-Match"] = tags[path];
  const answer = await fetch(path, { headers, cache: "no-store", signal: AbortSignal.timeout(3000) });
  if (answer.status === 304) return null;
  if (!answer.ok) throw new Error(await answer.text());
  tags[path] = answer.headers.get("ETag");
  return answer.json();
}

function element(name, text, kind) {
  const made = document.createElement(name);
  if (text !== undefined) made.textContent = text;
  if (kind) made.className = kind;
  return made;
}
function drawn(name, attributes, text) {
  const made = document.createElementNS(SVG, name);
  for (const key in attributes) made.setAttribute(key, attributes[key]);
  if (text !== undefined) made.textContent = text;
  return made;
}
// Text is set only where it is another: what does not change is not read out again.
function say(node, text) { if (node.textContent !== text) node.textContent = text; }
function list(node, texts, kind) {
  const now = JSON.stringify(texts);
  if (node.dataset.shown === now) return;
  node.dataset.shown = now;
  node.replaceChildren(...texts.map((text) => element("li", text, kind)));
}
function time(utc) {
  const at = new Date(utc);
  return Number.isNaN(at.getTime()) ? "" : at.toLocaleTimeString();
}
// As many decimals as the uncertainty leaves, or as many digits.
function number(value, u, digits) {
  let decimals;
  if (u > 0) decimals = Math.max(0, 1 - Math.floor(Math.log10(u)));
  else decimals = Math.max(0, (digits || 4) - 1 - Math.floor(Math.log10(Math.abs(value) || 1)));
  return value.toFixed(Math.min(decimals, 6));
}

// ---- numbers -------------------------------------------------------------

function readings(state) {
  const r = state.reading, p = state.peak, t = state.tension, absent = state.absent;
  const rows = [];
  const row = (name, value, u, unit, key, digits, note, over) => {
    if (value === undefined) {
      if (absent[key]) rows.push([name, "not known", absent[key], "absent"]);
      return;
    }
    const notes = [];
    if (u !== undefined) notes.push(`± ${number(u, undefined, 2)} ${unit}`.trim());
    if (note) notes.push(note);
    rows.push([name, `${number(value, u, digits)}\u00a0${unit}`, notes.join("; "), over ? "over" : ""]);
  };
  row("Frequency", r.frequency_hz, r.frequency_u_hz, "Hz", "reading.frequency_hz");
  row("Antinode velocity", r.antinode_velocity_mm_s, r.antinode_velocity_u_mm_s, "mm/s", "reading.antinode_velocity_mm_s", 4,
    r.target_velocity_mm_s === undefined ? "peak" : `peak; target ${number(r.target_velocity_mm_s, undefined, 4)}`);
  row("Node velocity", r.node_velocity_mm_s, r.node_velocity_u_mm_s, "mm/s", "reading.node_velocity_mm_s", 3, "peak");
  row("Ratio S", r.iswr, r.iswr_u, "", "reading.iswr", 3, "node over antinode");
  row("Efficiency 100 S", r.efficiency_pct, undefined, "%", "reading.iswr", 3, "bare losses in it");
  if (r.target_deviation_pct !== undefined) {
    const off = r.target_deviation_pct, most = r.target_tolerance_pct;
    rows.push(["Level", `${off > -0.05 ? "+" : "−"}${Math.abs(off).toFixed(1)}\u00a0%`, `of target; ±${most} % allowed`, Math.abs(off) > most ? "over" : ""]);
  }
  if (p.detuning_hz !== undefined)
    rows.push(["Drive above the peak", `${p.detuning_hz >= 0 ? "+" : "−"}${number(Math.abs(p.detuning_hz), p.detuning_u_hz)}\u00a0Hz`, `± ${number(p.detuning_u_hz, undefined, 2)} Hz; by ${p.shown_by}`, ""]);
  else if (absent["peak.detuning_hz"])
    rows.push(["Drive above the peak", p.on_peak ? `at the peak` : "not known", p.on_peak ? `by ${p.shown_by}` : absent["peak.detuning_hz"], "absent"]);
  state.strain.forEach((gauge, i) => {
    const limit = gauge.limit_pp_um_m;
    row(`Strain ${gauge.channel}`, gauge.strain_pp_um_m, undefined, "µm/m", `strain[${i}].strain_pp_um_m`, 3,
      limit === undefined ? "pp; no limit set" : `pp; limit ${limit}, ${Math.round(100 * (gauge.strain_pp_um_m || 0) / limit)} % of it`,
      limit !== undefined && gauge.strain_pp_um_m > limit);
  });
  if (t.tension_kn !== undefined) row("Tension", t.tension_kn, t.tension_u_kn, "kN", "", 4, `setup ${t.setup_tension_kn}`);
  const now = JSON.stringify(rows), node = $("readings");
  if (node.dataset.shown === now) return;
  node.dataset.shown = now;
  node.replaceChildren(...rows.map(([name, value, note, kind]) => {
    const box = element("div"), dd = element("dd", value, kind);
    if (note) dd.append(element("small", note));
    box.append(element("dt", name), dd);
    return box;
  }));
}

// ---- the map -------------------------------------------------------------

const WORDS = { held: "held", steady: "steady", "off-peak": "off the peak", failed: "failed", open: "open" };
function mark(state) {
  const svg = drawn("svg", { viewBox: "-10 -10 20 20", "aria-hidden": "true" });
  const add = (name, attributes) => svg.append(drawn(name, attributes));
  if (state === "held") add("circle", { r: 7, class: "mark full" });
  else if (state === "steady") { add("circle", { r: 7, class: "mark" }); add("path", { d: "M0-7A7 7 0 0 1 0 7Z", class: "mark full" }); }
  else if (state === "off-peak") add("path", { d: "M0-8L8 0L0 8L-8 0Z", class: "mark" });
  else if (state === "failed") add("path", { d: "M-6-6L6 6M6-6L-6 6", class: "mark failed" });
  else add("circle", { r: 7, class: "mark" });
  return svg;
}
function map(state) {
  const next = state.next && state.next.harmonic;
  const out = state.points.filter((point) => excluded(point.point)).map((point) => point.point);
  const now = JSON.stringify([state.harmonics, next, out]), node = $("map");
  const done = state.harmonics.filter((one) => one.done).length;
  say($("map-sum"), `${done} of ${state.harmonics.length} done`);
  if (node.dataset.shown === now) return;
  node.dataset.shown = now;
  node.replaceChildren(...state.harmonics.map((one) => {
    const kinds = [one.state];
    if (one.done) kinds.push("done");
    if (one.current) kinds.push("current");
    else if (one.harmonic === next) kinds.push("next");
    const item = element("li", undefined, kinds.join(" "));
    const hz = one.found_hz === undefined ? `≈ ${one.planned_hz.toFixed(1)}` : one.found_hz.toFixed(2);
    const read = state.points.filter((point) => point.harmonic === one.harmonic && point.verdict !== "rejected");
    const out = read.length > 0 && read.every((point) => excluded(point.point));
    const extra = out ? ", point excluded" : one.current ? ", here" : one.harmonic === next ? ", next" : "";
    item.append(mark(one.state), element("b", String(one.harmonic)), element("span", `${hz} Hz`), element("span", `${WORDS[one.state] || one.state}${extra}`));
    if (one.reasons.length) item.title = one.reasons.join("; ");
    return item;
  }));
}
$("map-key").append(...Object.keys(WORDS).map((state) => {
  const span = element("span");
  span.append(mark(state), WORDS[state]);
  return span;
}));

// ---- figures -------------------------------------------------------------

function ticks(low, high, most) {
  const raw = (high - low) / most, power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((x) => x * power).find((x) => x >= raw);
  const found = [];
  for (let x = Math.ceil(low / step) * step; x <= high + 1e-9 * step; x += step) found.push(+x.toPrecision(10));
  return found;
}
// Axes in a box; gives where a value lies. On a narrow screen the box is narrow, so that
// its text can be read.
function axes(svg, [low, high], [bottom, top], labels) {
  if (svg.parentElement.classList.contains("wide")) svg.setAttribute("viewBox", svg.clientWidth < 520 ? "0 0 360 270" : "0 0 640 300");
  const [, , width, height] = svg.getAttribute("viewBox").split(" ").map(Number);
  const left = 46, right = width - 12, above = 12, below = height - 38;
  const x = (value) => left + (right - left) * (value - low) / (high - low);
  const y = (value) => below - (below - above) * (value - bottom) / (top - bottom);
  const parts = [];
  for (const at of ticks(low, high, 6)) parts.push(drawn("path", { d: `M${x(at)} ${above}V${below}`, class: "grid" }), drawn("text", { x: x(at), y: below + 15, "text-anchor": "middle", class: "soft" }, at));
  for (const at of ticks(bottom, top, 5)) parts.push(drawn("path", { d: `M${left} ${y(at)}H${right}`, class: "grid" }), drawn("text", { x: left - 5, y: y(at) + 4, "text-anchor": "end", class: "soft" }, at));
  parts.push(drawn("path", { d: `M${left} ${above}V${below}H${right}`, class: "axis" }));
  parts.push(drawn("text", { x: right, y: height - 6, "text-anchor": "end" }, labels[0]), drawn("text", { x: left + 4, y: above + 10 }, labels[1]));
  svg.replaceChildren(...parts);
  return { x, y, low, high, top, bottom };
}
const path = (points) => points.map(([x, y], i) => `${i ? "L" : "M"}${x.toFixed(1)} ${y.toFixed(1)}`).join("");
const span = (values) => [Math.min(...values), Math.max(...values)];

function circle(signals) {
  const svg = $("circle"), trail = signals.response.filter((one) => one.re !== undefined);
  if (!trail.length) { resonanceCurve(svg, signals.response); return; }
  say($("circle-label"), "Resonance circle");
  const most = Math.max(...trail.map((one) => Math.hypot(one.re, one.im))) || 1;
  const size = 250, middle = 150, unit = size / (2.2 * most), x = (re) => 160 + re * unit, y = (im) => middle - im * unit;
  const parts = [drawn("path", { d: `M20 ${middle}H300M160 20V280`, class: "axis" })];
  const old = trail.slice(0, Math.max(0, trail.length - 120)), recent = trail.slice(-121);
  if (old.length) parts.push(drawn("path", { d: path(old.map((one) => [x(one.re), y(one.im)])), class: "trace past" }));
  parts.push(drawn("path", { d: path(recent.map((one) => [x(one.re), y(one.im)])), class: "trace" }));
  const last = trail[trail.length - 1];
  parts.push(drawn("circle", { cx: x(last.re), cy: y(last.im), r: 6, class: "dot" }));
  parts.push(drawn("text", { x: 300, y: middle - 5, "text-anchor": "end", class: "soft" }, "in phase"), drawn("text", { x: 164, y: 18, class: "soft" }, "leads"), drawn("text", { x: 164, y: 292, class: "soft" }, "lags"));
  svg.replaceChildren(...parts);
  const over = signals.response_over === "drive-force" ? "drive force, (mm/s)/N" : "drive signal, (mm/s)/V";
  say($("circle-text"), `Antinode velocity over ${over}: now ${number(Math.hypot(last.re, last.im), undefined, 3)} at ${(Math.atan2(last.im, last.re) * 180 / Math.PI).toFixed(0)}°. Full scale ${number(most, undefined, 3)}; at the peak the circle is farthest out.`);
}
// Without force and signal there is no phase: the motion over frequency.
function resonanceCurve(svg, trail) {
  say($("circle-label"), "Motion over frequency");
  if (!trail.length) { svg.replaceChildren(); say($("circle-text"), "Nothing moves yet."); return; }
  const [low, high] = span(trail.map((one) => one.frequency_hz)), most = Math.max(...trail.map((one) => one.antinode_velocity_mm_s)) || 1;
  const pad = Math.max(0.02, 0.1 * (high - low));
  const at = axes(svg, [low - pad, high + pad], [0, 1.1 * most], ["Hz", "antinode, mm/s peak"]);
  const points = trail.map((one) => [at.x(one.frequency_hz), at.y(one.antinode_velocity_mm_s)]);
  svg.append(drawn("path", { d: path(points), class: "trace" }), drawn("circle", { cx: points[points.length - 1][0], cy: points[points.length - 1][1], r: 6, class: "dot" }));
  say($("circle-text"), "Neither drive force nor drive signal is recorded: no circle. The largest motion is at the peak.");
}
function waves(signals) {
  const svg = $("wave"), shown = signals.waveforms.slice(0, 3);
  if (!shown.length) { svg.replaceChildren(); say($("wave-text"), "No samples yet."); return; }
  const height = 276 / shown.length, parts = [];
  shown.forEach((wave, i) => {
    const most = Math.max(...wave.values.map(Math.abs)) || 1, middle = 12 + height * (i + 0.5), steps = wave.values.length - 1;
    parts.push(drawn("path", { d: `M10 ${middle}H310`, class: "grid" }));
    parts.push(drawn("path", { d: path(wave.values.map((value, j) => [10 + 300 * j / steps, middle - 0.36 * height * value / most])), class: "trace" }));
    parts.push(drawn("text", { x: 12, y: middle - 0.4 * height + 2 }, `${wave.channel}: ${number(most, undefined, 3)} ${wave.unit}`));
  });
  svg.replaceChildren(...parts);
  const whole = shown[0].values.length * shown[0].step_s;
  say($("wave-text"), `${shown.map((one) => one.channel).join(", ")}, each over its own largest value; ${(1000 * whole).toFixed(0)} ms.`);
}
function spectra(signals, state) {
  const svg = $("spectrum"), shown = signals.waveforms.slice(0, 2), kinds = ["trace", "trace second"];
  if (!shown.length || !shown[0].spectrum_db.length) { svg.replaceChildren(); say($("spectrum-text"), "No samples yet."); return; }
  const high = shown[0].line_hz * (shown[0].spectrum_db.length - 1);
  const at = axes(svg, [0, high], [-100, 5], ["Hz", "dB over the largest"]);
  shown.forEach((wave, i) => svg.append(drawn("path", { d: path(wave.spectrum_db.map((db, j) => [at.x(j * wave.line_hz), at.y(Math.max(db, -100))])), class: kinds[i] })));
  const hz = state.reading.frequency_hz;
  if (hz !== undefined) svg.append(drawn("path", { d: `M${at.x(hz)} ${at.y(5)}V${at.y(-100)}`, class: "here" }));
  say($("spectrum-text"), `${shown.map((one, i) => `${one.channel} ${i ? "dashed" : "solid"}`).join(", ")}; one second, Hann window.`);
}
function efficiency(state) {
  const svg = $("efficiency"), now = JSON.stringify([state.points, state.required, Math.round(100 * (state.reading.frequency_hz || 0)), svg.clientWidth]);
  if (svg.dataset.shown === now) return;
  svg.dataset.shown = now;
  const read = state.points.filter((point) => point.efficiency_pct !== undefined && point.frequency_hz !== undefined);
  const planned = state.harmonics.map((one) => one.planned_hz);
  const hz = [...planned, ...read.map((point) => point.frequency_hz)];
  if (!hz.length) hz.push(0, 100);
  let [low, high] = span(hz);
  const pad = Math.max(0.5, 0.04 * (high - low));
  [low, high] = [low - pad, high + pad];
  const values = [...read.map((point) => point.efficiency_pct + (point.efficiency_u_pct || 0)), ...state.required.flatMap((one) => one.efficiency_pct.filter((_, i) => (one.frequency_hz[i + 1] ?? high) >= low && (one.frequency_hz[i - 1] ?? low) <= high))];
  const at = axes(svg, [low, high], [0, Math.max(10, 1.1 * Math.max(0, ...values))], ["Hz", "efficiency 100 S, %"]);
  const clip = (f) => Math.min(Math.max(f, low), high);
  for (const one of state.required) {
    const corners = one.frequency_hz.map((f, i) => [f, one.efficiency_pct[i]]), inside = [];
    corners.forEach(([f, pct], i) => {
      if (f >= low && f <= high) inside.push([at.x(f), at.y(pct)]);
      const after = corners[i + 1];
      for (const edge of [low, high]) if (after && (f - edge) * (after[0] - edge) < 0) inside.push([at.x(edge), at.y(pct + (after[1] - pct) * (edge - f) / (after[0] - f))]);
    });
    if (inside.length) svg.append(drawn("path", { d: path(inside), class: "required" }));
  }
  for (const point of read) {
    const [x, y] = [at.x(clip(point.frequency_hz)), at.y(point.efficiency_pct)];
    if (point.efficiency_u_pct !== undefined) svg.append(drawn("path", { d: `M${x} ${at.y(Math.max(0, point.efficiency_pct - point.efficiency_u_pct))}V${at.y(point.efficiency_pct + point.efficiency_u_pct)}`, class: "axis" }));
    const shape = drawn("g", { transform: `translate(${x} ${y}) scale(.75)` });
    shape.append(...mark(point.verdict).childNodes);
    svg.append(shape);
  }
  const drive = state.reading.frequency_hz;
  if (drive >= low && drive <= high) svg.append(drawn("path", { d: `M${at.x(drive)} ${at.y(at.top)}V${at.y(0)}`, class: "here" }));
  const required = state.required.length ? ` Dashed: required by ${state.required.map((one) => one.curve).join(", ")}.` : " No required curve in the setup.";
  say($("efficiency-text"), `${read.length} point${read.length === 1 ? "" : "s"}; the losses of the bare span are in them.${required} Dotted: the drive.`);
}

// ---- notes ---------------------------------------------------------------

// What was said, by the number of the point: that of a capture never changes.
let notes = [];
const KINDS = { note: "", exclude: "excluded: ", restore: "counts again: " };
function excluded(point) {
  const last = notes.findLast((one) => one.point === point && one.kind !== "note");
  return last !== undefined && last.kind === "exclude";
}
function showNotes(found) {
  notes = found;
  list($("notes"), notes.slice(-6).reverse().map((one) => `Point ${one.point}, ${one.by}, ${time(one.written_utc)}: ${KINDS[one.kind]}${one.text}`));
}
function noteForm(state) {
  const node = $("note-point"), numbers = state.points.map((point) => point.point).reverse();
  $("note").hidden = !TOKEN;
  $("note-token").hidden = Boolean(TOKEN);
  const now = JSON.stringify(numbers);
  if (node.dataset.shown === now) return;
  const chosen = node.value;
  node.dataset.shown = now;
  node.replaceChildren(...numbers.map((number) => {
    const option = element("option", String(number));
    option.value = number;
    return option;
  }));
  if (numbers.includes(Number(chosen))) node.value = chosen;
}
async function readNotes() {
  try {
    const found = await ask("notes");
    if (found) { showNotes(found.notes); if (latest) show(latest); }
  } catch (error) { list($("notes"), [`the notes cannot be read: ${error.message.trim()}`]); }
}
$("note").addEventListener("submit", async (event) => {
  event.preventDefault();
  const body = JSON.stringify({ point: Number($("note-point").value), by: $("note-by").value, text: $("note-text").value, kind: $("note-kind").value });
  const headers = { "Content-Type": "application/json", Authorization: `Bearer ${TOKEN}` };
  try {
    const answer = await fetch("notes", { method: "POST", headers, body, cache: "no-store", signal: AbortSignal.timeout(5000) });
    if (!answer.ok) throw new Error((await answer.text()).trim());
    const written = await answer.json();
    say($("note-said"), `Written down at point ${written.point}.`);
    $("note-text").value = "";
    $("note-kind").value = "note";
    await readNotes();
  } catch (error) {
    // What was typed stays.
    say($("note-said"), `Not written down: ${error.name === "TypeError" || error.name === "TimeoutError" ? "no answer from the capture" : error.message}`);
  }
});

// ---- all of it -----------------------------------------------------------

const GOOD = ["done", "hold"], BAD = ["no-samples", "limit", "put-right"];
let spoken = { kind: "", at: 0 };
function show(state) {
  document.title = `${state.now} – ${state.run.title}`;
  say($("title"), `${state.run.title} · ${state.run.folder}, session ${state.run.session}`);
  say($("clock"), state.run.utc ? time(state.run.utc) : "");
  say($("now"), state.now);
  $("now").classList.toggle("long", state.now.length > 60);
  const kind = state.advice.kind;
  document.querySelector(".now").dataset.tone = GOOD.includes(kind) ? "good" : BAD.includes(kind) ? "bad" : "";
  list($("also"), state.also);
  list($("alarms"), state.alarms);
  // Read out when something else is to be done, not with every second that passes.
  if (kind !== spoken.kind && Date.now() - spoken.at > SPEAK_MS) {
    spoken = { kind, at: Date.now() };
    say($("spoken"), state.now);
  }
  const missing = state.missing;
  list($("missing"), missing.length ? missing : ["nothing: resonance is held"], missing.length ? "" : "nothing");
  const held = state.dwell.hold_s || 0, least = state.dwell.least_hold_s || 1, bar = $("hold");
  bar.setAttribute("aria-valuemax", least.toFixed(0));
  bar.setAttribute("aria-valuenow", Math.min(held, least).toFixed(0));
  bar.firstElementChild.style.width = `${Math.min(100, 100 * held / least)}%`;
  say($("settled"), state.reading.settled === false ? "not settled yet" : "");
  document.querySelector(".readings").classList.toggle("unsettled", state.reading.settled === false);
  readings(state);
  map(state);
  efficiency(state);
  const rows = state.points.slice(-8).reverse().map((point) => [
    point.start_utc ? time(point.start_utc) : "", point.point, excluded(point.point) ? "excluded" : WORDS[point.verdict] || point.verdict, point.harmonic === undefined ? "–" : point.harmonic,
    point.frequency_hz === undefined ? "–" : `${point.frequency_hz.toFixed(3)} Hz`,
    point.efficiency_pct === undefined ? "–" : `${number(point.efficiency_pct, point.efficiency_u_pct, 3)}${point.efficiency_u_pct === undefined ? "" : ` ± ${number(point.efficiency_u_pct, undefined, 2)}`} %`,
    notes.filter((one) => one.point === point.point).length || "",
  ]);
  const shown = JSON.stringify(rows);
  if ($("points").dataset.shown !== shown) {
    $("points").dataset.shown = shown;
    $("points").replaceChildren(...rows.map((cells) => {
      const row = element("tr");
      row.append(...cells.map((cell) => element("td", String(cell))));
      return row;
    }));
  }
  noteForm(state);
  devices(state);
}
function devices(state) {
  const node = $("devices"), items = state.devices.map((one) => {
    const rate = one.rate_hz === undefined ? "rate not known yet" : `${one.rate_hz.toFixed(2)} Hz`;
    const lost = `${one.lost_samples} samples lost, ${one.corrupt} corrupt, ${one.restarts} restarts`;
    return one.sends ? [`● ${one.source}: sends; ${rate}; ${lost}`, ""] : [`✕ ${one.source}: no samples for ${one.silent_s.toFixed(0)} s; ${lost}`, "silent"];
  });
  const r = state.recording;
  if (r.disk_free_mb !== undefined) {
    const lasts = r.disk_lasts_s === undefined ? "" : `, lasts ${r.disk_lasts_s > 172800 ? `${Math.floor(r.disk_lasts_s / 86400)} days` : `${Math.floor(r.disk_lasts_s / 3600)} h ${Math.floor(r.disk_lasts_s % 3600 / 60)} min`}`;
    items.push([`Disk: ${(r.disk_free_mb / 1000).toFixed(1)} GB free${lasts}`, ""]);
  }
  if (r.behind_s !== undefined) items.push([`Analysis: ${r.behind_s.toFixed(1)} s behind the recording${r.catches_up ? ", catching up" : ""}`, ""]);
  const now = JSON.stringify(items);
  if (node.dataset.shown !== now) {
    node.dataset.shown = now;
    node.replaceChildren(...items.map(([text, kind]) => element("li", text, kind)));
  }
  list($("events"), state.events.slice(-5).reverse());
}

let latest = null, changed = 0, turn = 0;
function link(kind, text) {
  $("link").dataset.state = kind;
  say($("link"), text);
  document.body.classList.toggle("old", kind === "lost" || kind === "old");
}
async function poll() {
  let wait = document.hidden ? HIDDEN_MS : POLL_MS;
  try {
    const state = await ask("state");
    if (state) { latest = state; changed = Date.now(); show(state); }
    // Somebody at another terminal may have written one.
    if (latest && turn % 8 === 0) await readNotes();
    if (latest && (turn++ % 2 === 0)) {
      const signals = await ask("signals");
      if (signals) { circle(signals); waves(signals); spectra(signals, latest); }
    }
    if (!latest || !latest.run.capturing) link("wait", latest ? "ended" : "connecting");
    else if (Date.now() - changed > OLD_MS) link("old", `no news from the capture for ${Math.round((Date.now() - changed) / 1000)} s: what is shown is old`);
    else link("live", "live");
  } catch (error) {
    wait = RETRY_MS;
    const why = error.name === "TypeError" || error.name === "TimeoutError" ? "no answer from the capture" : error.message.trim();
    link("lost", `${why}${changed ? `; what is shown is of ${new Date(changed).toLocaleTimeString()}` : ""}`);
  }
  setTimeout(poll, wait);
}
poll();
