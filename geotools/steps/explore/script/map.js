// The map: verdicts and dead spots as planned, the works, the operating windows, or how far a mover is answered.
function joined(lines) {
  const x = [], y = [];
  for (const [xs, ys] of lines) { x.push(...xs, null); y.push(...ys, null); }
  return { x, y };
}

const area = (at, zone, fillcolor, name, line = { color: INK, width: 1 }) => ({ type: "scatter", mode: "lines", x: at[0],
  y: at[1], fill: "toself", fillcolor, line, hoveron: "fills", hoverinfo: "name", meta: zone, name: plain(name) });

const FEATURE = { yes: [GAP, 4, "solid"], possibly: ["#e69f00", 3, "dash"], no: ["#6e6e6e", 1.5, "dot"] };
const WINDOW_DASH = { open: "solid", narrow: "dash", empty: "solid" };

// each view: its name, its note, traces over the ground, and entries of the legend as colour and words
const VIEWS = {
  verdicts: {
    name: "verdicts and dead spots, as planned",
    note: "Heads and ground as planned; the verdict is that of the worst of all threats.",
    traces: (m) => [...deadAreas(m.dead), ...verdictLines(m), ...headMarks(m.heads)],
    legend: (m) => [...verdictLegend(m), ...deadLegend(m.dead)],
  },
};
if (data.zones.some((z) => z.after)) {
  VIEWS.after = {
    name: "works and dead spots, after the remedy",
    note: "Ground and heads as proposed, by the best estimate; dead spots that would remain are drawn as before.",
    traces: (m) => [
      ...m.works.map((w) => area(w.at, w.zone, w.kind === "cut" ? "#e69f00" : "#f0e442",
        `${w.zone}: ${w.kind}, ${metres(w.depth)} at most`)),
      ...deadAreas(m.dead_after), ...headMarks(m.heads_after || m.heads),
    ],
    legend: (m) => [["#e69f00", "cut"], ["#f0e442", "fill"], ...deadLegend(m.dead_after)],
  };
}
if (data.nuisance) {
  VIEWS.windows = {
    name: "operating windows",
    note: "Open: a threshold keeps what must alarm apart from what must not; narrow: by the best estimate alone; empty: none does.",
    traces: (m) => [...Object.keys(data.window_colours).map((kind) => ({
      type: "scatter", mode: "lines", hoverinfo: "skip",
      ...joined(Object.entries(data.nuisance.windows).filter(([, w]) => w.state === kind).map(([z]) => data.nuisance.lines[z])),
      line: { color: data.window_colours[kind], width: 7, dash: WINDOW_DASH[kind] } })), ...headMarks(m.heads)],
    legend: () => Object.entries(data.window_colours).map(([kind, colour]) => [colour, `window ${kind}`]),
  };
  for (const [mover, held] of Object.entries(data.nuisance.movers)) {
    const features = data.nuisance.features.filter((f) => f.mover === mover);
    VIEWS[`reach ${mover}`] = {
      name: `reach of: ${mover}`,
      note: `Ground on which this mover reaches the site's threshold, whether or not it is ever there.${
        held.must_not_alarm ? "" : " It may alarm now and then."}${
        features.length ? " Lines run from your own features to the beam line that answers." : ""}`,
      traces: (m) => [...held.areas.map((one) => area(one.at, one.zone, "rgba(240,228,66,0.55)",
        `${one.zone}: ${mover}, ${metres(held.zones[one.zone].outside_m, 1)} outside, ${
          metres(held.zones[one.zone].inside_m, 1)} inside the beam line`, { color: "#9a6a00", width: 1 })),
      ...features.map((f) => ({ type: "scatter", mode: "lines+markers", x: f.at[0], y: f.at[1], meta: f.zone, hoverinfo: "name",
        marker: { size: 7, color: FEATURE[f.sets_off][0] }, line: { color: FEATURE[f.sets_off][0],
          width: FEATURE[f.sets_off][1], dash: FEATURE[f.sets_off][2] },
        name: plain(`${f.feature}: response ${f.modulation.toFixed(2)}, at most ${f.modulation_high.toFixed(2)}`) })),
      ...headMarks(m.heads)],
      legend: () => [["#f5eb8a", `reach of ${mover}`], ...[["yes", "sets the zone off"], ["possibly", "may set the zone off"],
        ["no", "does not"]].filter(([kind]) => features.some((f) => f.sets_off === kind))
        .map(([kind, said]) => [FEATURE[kind][0], `your feature: ${said}`])],
    };
  }
}

function deadAreas(dead) {
  return [...data.threats].reverse().flatMap((t) => (dead[t.name] || []).map((spot) =>
    area(spot.at, spot.zone, colourOf(t.name), `${t.name}: dead spot of ${metres(spot.length, 1)}`)));
}

const deadLegend = (dead) => {
  const there = data.threats.filter((t) => (dead[t.name] || []).length);
  return there.length ? there.map((t) => [colourOf(t.name), `dead spot, ${t.name}`]) : [[null, "no dead spot"]];
};

const verdictLines = (m) => Object.entries(VERDICT).map(([verdict, [name, width, dash]]) => ({
  type: "scatter", mode: "lines", ...joined(m.verdicts.filter((v) => v.verdict === verdict).map((v) => v.at)),
  hoverinfo: "skip", name, line: { color: data.verdicts[verdict], width, dash } }));

function verdictLegend(m) {
  const there = new Set(m.verdicts.map((v) => v.verdict));
  return Object.entries(VERDICT).filter(([verdict]) => there.has(verdict)).map(([verdict, [name]]) => [data.verdicts[verdict],
    `fence: ${name}${verdict === "detected" && m.condition ? `, on the condition ${m.condition}` : ""}`]);
}

const headMarks = (heads) => [["transmitter", "triangle-up", GAP], ["receiver", "square", "#56b4e9"]].map(
  ([role, symbol, color]) => ({ type: "scatter", mode: "markers", x: heads[role][0], y: heads[role][1], hoverinfo: "skip",
    marker: { symbol, size: 9, color, line: { color: INK, width: 1 } } }));

function mapTraces(view) {
  const m = data.map;
  return [
    { type: "heatmap", x: data.ground.x, y: data.ground.y, z: data.ground.shade, zmin: 0, zmax: 100, showscale: false,
      colorscale: [[0, "#4a4a4a"], [1, "#fafafa"]], hoverinfo: "skip", opacity: 0.75 },
    ...m.zones.map((z) => area(z.at, z.zone, "rgba(0,114,178,0.12)", z.zone, { color: BLUE, width: 1 })),
    { type: "scatter", mode: "lines", ...joined(m.fence), line: { color: INK, width: 1 }, hoverinfo: "skip" },
    ...view.traces(m),
  ];
}

function legend(entries) {
  const part = (colour, said) => {
    const span = element("span"), box = element("i");
    if (colour) { box.style.background = colour; span.append(box); }
    span.append(said);
    return span;
  };
  $("legend").replaceChildren(...entries.flatMap(([colour, said]) => [part(colour, said), " "]),
    part(null, "\u25b2\u00a0transmitter"), " ", part(null, "\u25a0\u00a0receiver"), " ", part(null, "thin black line: fence"));
}

function mark(zone) {
  const held = data.map.zones.find((z) => z.zone === zone);
  if (!held) return [];
  const xs = held.at[0], ys = held.at[1], middle = (a) => (Math.min(...a) + Math.max(...a)) / 2;
  // towards the middle of the site, where there is room for it
  const x = middle(xs), y = middle(ys), up = y < data.size[1] / 2 ? -1 : 1, right = x < data.size[0] / 2 ? 1 : -1;
  return [{ x, y, text: plain(zone), showarrow: true, ax: 44 * right, ay: 34 * up, bgcolor: "#ffffff", bordercolor: INK,
    arrowcolor: INK, font: { size: 13, color: INK } }];
}

function drawMap() {
  const view = VIEWS[$("view").value];
  const axis = { showgrid: false, zeroline: false, ticks: "outside", constrain: "domain" };
  legend(view.legend(data.map));
  $("view-note").textContent = view.note;
  return Plotly.react("map", mapTraces(view), { ...BASE, margin: { l: 48, r: 8, t: 8, b: 44 },
    dragmode: innerWidth < 700 ? false : "pan", annotations: mark(state.zone ? state.zone.zone : data.first),
    xaxis: { ...axis, range: [0, data.size[0]], title: { text: "m east" } },
    yaxis: { ...axis, range: [0, data.size[1]], scaleanchor: "x", title: { text: "m north", standoff: 4 } } }, CONFIG);
}
