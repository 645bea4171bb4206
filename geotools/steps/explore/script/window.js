// A zone's operating window as a picture, in words, and what opens it.
const LEAST = 0.005, MOST = 1.5;
const response = (value) => (value < LEAST ? `under ${LEAST}` : value.toFixed(2));
const WHERE = { outside: "beyond the fence", strip: "in the strip", fence: "on the fence line" };

function drawWindow(z) {
  windowOptions(z);
  const held = data.nuisance && data.nuisance.windows[z.zone];
  $("window").hidden = !held;
  if (!held) {
    $("window-note").replaceChildren(element("p", "Not examined yet: run geotools window, then geotools explore again."));
    return;
  }
  const put = (value) => Math.min(Math.max(value, LEAST), MOST);
  const not = put(held.must_not), notHigh = put(held.must_not_high), must = put(held.must);
  const mustLow = put(held.must_low === null ? held.must : held.must_low), empty = held.state === "empty";
  const where = held.must_not_at ? ` ${WHERE[held.must_not_at] || `at ${held.must_not_at}`}` : "";
  const line = (x, y, color, name) => ({ type: "scatter", mode: "lines+markers", x, y: [y, y], line: { color, width: 6 },
    marker: { size: [13, 0], color, line: { color: INK, width: 1 } }, hoverinfo: "name", name });
  const label = (x, y, text, more = {}) => ({ x: Math.log10(x), y, text: plain(text), showarrow: false, yshift: 18,
    xanchor: x > 0.08 ? "right" : "left", bgcolor: "rgba(255,255,255,0.85)", font: { size: 12, color: INK }, ...more });
  const traces = [line([not, notHigh], 1, "#e69f00", "must not alarm"), line([must, mustLow], 0, INK, "must alarm")];
  if (held.set_to !== null) {
    traces.push({ type: "scatter", mode: "markers", x: [put(held.set_to)], y: [0.5], hoverinfo: "name", name: "set to",
      marker: { symbol: "diamond", size: 13, color: "#ffffff", line: { color: INK, width: 2 } } });
  }
  const band = { type: "rect", xref: "x", yref: "y", x0: Math.min(not, must), x1: Math.max(not, must), y0: -0.25, y1: 1.25,
    layer: "below", line: { color: data.window_colours[held.state], width: 1.5, dash: empty ? "dot" : "solid" },
    fillcolor: empty ? "rgba(213,94,0,0.15)" : held.state === "open" ? "rgba(86,180,233,0.45)" : "rgba(0,114,178,0.15)" };
  const site = { type: "line", xref: "x", yref: "y", x0: held.threshold, x1: held.threshold, y0: -0.6, y1: 1.9,
    line: { color: "#4d565e", width: 1.5, dash: "dash" } };
  Plotly.react("window", traces, { ...BASE, margin: { l: 8, r: 8, t: 8, b: 44 }, shapes: [band, site],
    annotations: [label(not, 1, `must not alarm: ${held.must_not_mover || "nothing"}`), label(must, 0, `must alarm: ${held.must_threat}`,
      { yshift: -18 }),
      { x: Math.log10(held.threshold), y: 1.75, text: `site's threshold ${held.threshold}`, showarrow: false, font: { size: 12 },
        bgcolor: "#ffffff" },
      ...(empty ? [{ x: Math.log10(Math.sqrt(not * must)), y: 0.5, text: "empty", showarrow: false, font: { size: 13, color: "#8a2f00" } }]
        : [])],
    xaxis: { type: "log", range: [Math.log10(LEAST * 0.9), Math.log10(MOST)], tickvals: [0.01, 0.05, 0.1, 0.2, 0.5, 1],
      title: { text: "response (modulation of the received signal)" } },
    yaxis: { range: [-0.75, 2.1], showticklabels: false, showgrid: false, zeroline: false } }, CONFIG);
  $("window-note").replaceChildren(...windowWords(z, held, where));
}

function windowWords(z, held, where) {
  const lines = [];
  const not = `what must not alarm (${held.must_not_mover || "nothing"}${where}) answers with ${response(held.must_not)}, with what is not known exactly up to ${response(held.must_not_high)}`;
  const low = held.must_low === null ? "" : `, with 95 % confidence at least ${response(held.must_low)}`;
  const must = `what must (${held.must_threat} at ${metres(held.must_chainage_m, 0)}) with ${response(held.must)}${low}`;
  lines.push(`Window ${held.state}: ${not}; ${must}.`);
  if (held.set_to !== null) {
    lines.push(`Threshold to set at commissioning: ${held.set_to.toFixed(2)}, narrowed by a walk test at ${metres(held.must_chainage_m, 0)}.`);
  }
  if (held.state !== "empty" && !held.threshold_inside) lines.push(`The site's threshold of ${held.threshold} lies outside the window.`);
  if (held.opens_by) {
    lines.push(`What opens it: ${held.opens_by.replaceAll("`", "")}${held.opens_cost === null ? "" : `, ${money(held.opens_cost)}`}.`);
  }
  if (held.closes_at_m !== null && held.closes_at_m !== undefined) {
    lines.push(`Grass or snow of ${metres(held.closes_at_m)} closes it: keep it shorter.`);
  }
  if (held.proposed) lines.push(`In the proposed state: ${held.proposed}.`);
  const why = data.nuisance.standoffs[z.zone];
  if (why) lines.push(`Where the beam stands: ${why}.`);
  for (const w of data.nuisance.weather.filter((row) => row.zone === z.zone)) {
    const limit = w.unit ? ` from ${w.closes_at} ${w.unit}` : "";
    const kind = { dry: "any weather", pond: "standing water", grass: "uncut grass" }[w.condition] || w.condition;
    lines.push(`Closed by ${kind}${limit}, about ${w.days.toFixed(0)} days of a year: ${w.because}${w.advice ? `; ${w.advice.replaceAll("`", "")}` : ""}.`);
  }
  const off = data.nuisance.features.filter((f) => f.zone === z.zone && f.sets_off !== "no");
  for (const f of off) {
    lines.push(`${f.feature}: ${f.mover} ${f.sets_off === "yes" ? "sets" : "may set"} the zone off at ${metres(f.chainage_m, 0)} (${response(f.modulation)}, at most ${response(f.modulation_high)}).`);
  }
  return lines.map((text) => element("p", text));
}

// as wide as the page: seven columns
function windowOptions(z) {
  const options = data.nuisance ? data.nuisance.options.filter((o) => o.zone === z.zone) : [];
  $("window-options").replaceChildren(...(options.length ? [table(`Changes tried for the window of zone ${z.zone}`,
    ["change", "window then", "must not", "must", "set to", "price", "advised"],
    options.map((o) => [o.words, o.state, response(o.must_not), response(o.must), o.set_to === null ? "\u2013" : o.set_to.toFixed(2),
      money(o.cost), o.recommended ? "yes" : "no"]))] : []));
}
