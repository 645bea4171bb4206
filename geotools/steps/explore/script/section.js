// The long section of a zone in the state that is shown, and the close-up at its longest dead stretch.
function person(spot) {
  if (!spot) return [];
  const { height, width, base } = spot.threat, foot = at(spot.part.chainage, spot.part.ground, spot.at) + base, half = width / 2;
  const look = { fillcolor: "rgba(27,31,35,0.85)", line: { color: INK, width: 1 }, xref: "x", yref: "y" };
  const head = Math.min(0.24, height);
  if (height < 1) {
    return [{ ...look, type: "circle", x0: spot.at - half, x1: spot.at + half, y0: foot, y1: foot + height }];
  }
  return [
    { ...look, type: "rect", x0: spot.at - half, x1: spot.at + half, y0: foot, y1: foot + height - head },
    { ...look, type: "circle", x0: spot.at - head / 2, x1: spot.at + head / 2, y0: foot + height - head, y1: foot + height },
  ];
}

function sectionTraces(z, parts) {
  const traces = [];
  for (const part of parts) {
    const ground = state.after ? { color: BUILT, width: 2 } : { color: GROUND, width: 2 };
    traces.push({ x: part.chainage, y: part.ground, mode: "lines", line: ground,
      name: state.after ? "ground as proposed" : "ground" });
    traces.push({ x: part.chainage, y: part.gap.map((g, i) => part.ground[i] + g / 100), mode: "lines", fill: "tonexty",
      fillcolor: "rgba(213,94,0,0.18)", line: { color: GAP, width: 1.5 }, name: "crawl gap over the ground" });
    for (const b of part.beams) {
      traces.push({ x: part.ends, y: [part.posts[0] + b.tx, part.posts[1] + b.rx], mode: "lines+markers",
        line: { color: BLUE, width: b.level === part.moved ? 3 : 1.5, dash: BEAM[b.level] || "solid" },
        marker: { size: 8 }, name: `beam, ${b.level}` });
    }
  }
  if (state.after) {
    traces.push({ x: z.chainage, y: z.ground, mode: "lines", line: { color: GROUND, width: 2, dash: "dot" }, name: "ground today" });
  } else if (z.proposed) {
    traces.push({ x: z.chainage, y: z.proposed, mode: "lines", line: { color: BUILT, width: 2, dash: "dash" },
      name: "proposed ground", connectgaps: false });
  }
  return traces.map((t) => ({ type: "scatter", hoverinfo: "x+y+name", ...t }));
}

const bars = (parts, low, step) => data.threats.flatMap((t, row) => parts.flatMap((part) => part.dead[t.name].map(([from, to]) => ({
  type: "rect", xref: "x", yref: "y", x0: from, x1: to, y0: low + row * step, y1: low + (row + 0.8) * step,
  fillcolor: colourOf(t.name), line: { color: INK, width: 1 } }))));

const lengths = (parts) => data.threats.map((t) => {
  const length = parts.reduce((sum, part) => sum + part.length[t.name], 0);
  return `${t.name} ${length > 0 ? metres(length, 1) : "none"}`;
}).join(", ");

function say(z, parts) {
  const gap = Math.max(...parts.map((part) => part.most));
  const largest = gap >= 2.99 ? "3 m or more" : metres(gap);
  const lines = [`Undetected length by the best estimate: ${lengths(parts)}.`, `Largest crawl gap ${largest}.`];
  if (state.after) {
    lines.push(`After the remedy, built as drawn. As planned: ${lengths([nowOf(z)])}.`);
    lines.push(`Heads at the transmitter and the receiver post: ${parts.map((part) => part.beams.map((b) =>
      `${b.level} ${metres(b.tx)} and ${metres(b.rx)}`).join("; ")).join("; then ")}.`);
  } else {
    if (parts[0].beside > 0) lines.push(`Opens ${metres(parts[0].beside, 1)} in the zones beside.`);
    lines.push(state.tx === z.now[0] && state.rx === z.now[1] ? "Heads as planned."
      : `As planned: ${lengths([nowOf(z)])}.`);
    if (z.locked) lines.push(z.locked);
    else if (z.cases.length < 2) lines.push("The heads of this zone stand still here: the stack rules leave no room, or the page has its most zones.");
  }
  $("answer").replaceChildren(...lines.map((line) => element("p", line)));
}

function drawSection(z) {
  const parts = shown(z), spot = worst(parts);
  say(z, parts);
  const tops = parts.flatMap((part) => part.beams.flatMap((b) => [part.posts[0] + b.tx, part.posts[1] + b.rx]));
  const grounds = [...z.ground, ...parts.flatMap((part) => part.ground)];
  const bottom = Math.min(...grounds), high = Math.max(...tops, ...grounds) + 0.3;
  const step = (high - bottom) * 0.07, floor = bottom - step * (data.threats.length + 0.6);
  const names = data.threats.map((t, row) => ({ x: 0.004, xref: "paper", xanchor: "left", yref: "y", y: floor + (row + 0.4) * step,
    text: plain(t.name), showarrow: false, font: { size: 11 }, bgcolor: "rgba(255,255,255,0.85)" }));
  const traces = sectionTraces(z, parts), end = z.chainage[z.chainage.length - 1];
  Plotly.react("section", traces, { ...BASE, shapes: [...bars(parts, floor, step), ...person(spot)], annotations: names,
    xaxis: { title: { text: "m from the transmitter post" }, range: [0, end] },
    yaxis: { title: { text: "level, m" }, range: [floor, high] } }, CONFIG);
  const { xaxis, yaxis } = $("section")._fullLayout;
  const times = Math.round((yaxis._length / (high - floor)) / (xaxis._length / end));
  $("section-scale").textContent = `heights drawn ${times} times as large as lengths`;
  $("close-title").hidden = $("close").hidden = !spot;
  if (spot) {
    const ground = at(spot.part.chainage, spot.part.ground, spot.at);
    Plotly.react("close", traces, { ...BASE, shapes: person(spot),
      annotations: [{ x: spot.at, y: ground + spot.threat.base + spot.threat.height, yshift: 12, showarrow: false,
        bgcolor: "rgba(255,255,255,0.8)", text: plain(`${spot.threat.name}, ${metres(spot.threat.height)} high`) }],
      xaxis: { title: { text: "m from the transmitter post" }, range: [spot.at - 2.5, spot.at + 2.5] },
      yaxis: { title: { text: "level, m" }, range: [ground - 0.2, ground + Math.max(1.1, spot.threat.height + 0.3)],
        scaleanchor: "x", scaleratio: 1 } }, CONFIG);
  }
}
