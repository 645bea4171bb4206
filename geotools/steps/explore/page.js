"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const $ = (id) => document.getElementById(id);
  const VERDICT = {
    detected: ["detected, 95 % confidence", 4, "solid"],
    unproven: ["unproven", 6, "dash"],
    undetected: ["undetected", 9, "solid"],
    no_beam: ["no beam", 7, "dot"],
  };
  // the threat most easily detected comes first, and is the worst where it gets through: darkest, and drawn last
  const DEAD = ["#5b0f5e", "#b0357f", "#e88bbd", "#0072b2", "#009e73", "#6e6e6e"];
  const BEAM = { low: "dot", main: "solid", top: "dash" };
  const INK = "#1b1f23", GROUND = "#8a6d4b", GAP = "#d55e00";
  const CONFIG = { displayModeBar: false, responsive: true, scrollZoom: false };
  const MARGIN = { l: 48, r: 12, t: 8, b: 40 };
  const colourOf = (threat) => DEAD[Math.min(data.threats.findIndex((t) => t.name === threat), DEAD.length - 1)];
  const metres = (value, digits = 2) => `${value.toFixed(digits)} m`;
  const plain = (text) => text.replaceAll("&", "&amp;").replaceAll("<", "&lt;");
  const state = { zone: null, tx: 0, rx: 0 };

  function joined(lines) {
    const x = [], y = [];
    for (const [xs, ys] of lines) { x.push(...xs, null); y.push(...ys, null); }
    return { x, y };
  }

  function mapTraces() {
    const m = data.map;
    const traces = [
      { type: "heatmap", x: data.ground.x, y: data.ground.y, z: data.ground.shade, zmin: 0, zmax: 100, showscale: false,
        colorscale: [[0, "#4a4a4a"], [1, "#fafafa"]], hoverinfo: "skip", opacity: 0.75 },
    ];
    for (const z of m.zones) {
      traces.push({ type: "scatter", mode: "lines", x: z.at[0], y: z.at[1], fill: "toself", fillcolor: "rgba(0,114,178,0.12)",
        line: { color: "#0072b2", width: 1 }, hoveron: "fills", name: plain(z.zone), hoverinfo: "name", meta: z.zone });
    }
    for (const t of [...data.threats].reverse()) {
      for (const spot of m.dead[t.name] || []) {
        traces.push({ type: "scatter", mode: "lines", x: spot.at[0], y: spot.at[1], fill: "toself",
          fillcolor: colourOf(t.name), line: { color: INK, width: 1 }, hoveron: "fills", hoverinfo: "name", meta: spot.zone,
          name: plain(`${t.name}: dead spot of ${metres(spot.length, 1)}`) });
      }
    }
    traces.push({ type: "scatter", mode: "lines", ...joined(m.fence), line: { color: INK, width: 1 }, hoverinfo: "skip" });
    for (const [verdict, [words, width, dash]] of Object.entries(VERDICT)) {
      const mine = m.verdicts.filter((v) => v.verdict === verdict).map((v) => v.at);
      traces.push({ type: "scatter", mode: "lines", ...joined(mine), hoverinfo: "skip", name: words,
        line: { color: data.verdicts[verdict], width, dash } });
    }
    for (const [role, symbol, colour] of [["transmitter", "triangle-up", GAP], ["receiver", "square", "#56b4e9"]]) {
      traces.push({ type: "scatter", mode: "markers", x: m.heads[role][0], y: m.heads[role][1], hoverinfo: "skip",
        marker: { symbol, size: 9, color: colour, line: { color: INK, width: 1 } } });
    }
    return traces;
  }

  function legend() {
    const part = (colour, words) => {
      const span = document.createElement("span"), box = document.createElement("i");
      box.style.background = colour;
      span.append(box, words);
      return span;
    };
    const there = new Set(data.map.verdicts.map((v) => v.verdict));
    for (const [verdict, [words]] of Object.entries(VERDICT)) {
      const given = verdict === "detected" && data.map.condition ? `, taking as exactly known: ${data.map.condition}` : "";
      if (there.has(verdict)) $("legend").append(part(data.verdicts[verdict], `fence: ${words}${given}`), " ");
    }
    for (const t of data.threats) {
      if ((data.map.dead[t.name] || []).length) $("legend").append(part(colourOf(t.name), `dead spot, ${t.name}`), " ");
    }
    $("legend").append("▲ transmitter ■ receiver");
  }

  function mark(zone) {
    const held = data.map.zones.find((z) => z.zone === zone);
    if (!held) return [];
    const xs = held.at[0], ys = held.at[1], middle = (a) => (Math.min(...a) + Math.max(...a)) / 2;
    return [{ x: middle(xs), y: middle(ys), text: plain(zone), showarrow: true, ax: 0, ay: -34, bgcolor: "#ffffff",
      bordercolor: INK, arrowcolor: INK, font: { size: 13, color: INK } }];
  }

  const caseOf = (z) => z.cases[state.tx * z.rx.length + state.rx];

  // the worst: a stretch of the threat most easily detected, the longest of its own
  function worst(answer) {
    for (const t of data.threats) {
      const runs = answer.dead[t.name];
      if (runs.length) {
        const run = runs.reduce((a, b) => (b[1] - b[0] > a[1] - a[0] ? b : a));
        return { threat: t, at: (run[0] + run[1]) / 2 };
      }
    }
    return null;
  }

  function at(xs, ys, x) {
    let i = xs.findIndex((v) => v >= x);
    if (i < 1) i = 1;
    const share = (x - xs[i - 1]) / (xs[i] - xs[i - 1]);
    return ys[i - 1] + share * (ys[i] - ys[i - 1]);
  }

  function person(spot, z) {
    if (!spot) return [];
    const { height, width, base } = spot.threat, foot = at(z.chainage, z.ground, spot.at) + base, half = width / 2;
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

  function sectionTraces(z, answer) {
    const gap = answer.gap.map((g, i) => z.ground[i] + g / 100);
    const traces = [
      { x: z.chainage, y: z.ground, mode: "lines", line: { color: GROUND, width: 2 }, name: "ground" },
      { x: z.chainage, y: gap, mode: "lines", fill: "tonexty", fillcolor: "rgba(213,94,0,0.18)",
        line: { color: GAP, width: 1.5 }, name: "crawl gap over the ground" },
    ];
    if (z.proposed) {
      traces.push({ x: z.chainage, y: z.proposed, mode: "lines", line: { color: "#009e73", width: 2, dash: "dash" },
        name: "proposed ground", connectgaps: false });
    }
    const end = z.chainage[z.chainage.length - 1];
    for (const b of z.beams) {
      const moved = b.level === z.level;
      const [tx, rx] = moved ? [z.tx[state.tx], z.rx[state.rx]] : [b.tx, b.rx];
      traces.push({ x: [0, end], y: [z.posts[0] + tx, z.posts[1] + rx], mode: "lines+markers",
        line: { color: "#0072b2", width: moved ? 3 : 1.5, dash: BEAM[b.level] || "solid" },
        marker: { size: 8 }, name: `beam, ${b.level}` });
    }
    return traces.map((t) => ({ type: "scatter", hoverinfo: "x+y+name", ...t }));
  }

  function bars(z, answer, low, step) {
    return data.threats.flatMap((t, row) => answer.dead[t.name].map(([from, to]) => ({
      type: "rect", xref: "x", yref: "y", x0: from, x1: to, y0: low + row * step, y1: low + (row + 0.8) * step,
      fillcolor: colourOf(t.name), line: { color: INK, width: 1 } })));
  }

  function say(z, answer) {
    const parts = data.threats.map((t) => {
      const length = answer.length[t.name];
      return `${t.name} ${length > 0 ? metres(length, 1) : "none"}`;
    });
    const lines = [`Undetected length by the best estimate: ${parts.join(", ")}.`,
      `Largest crawl gap ${answer.most >= 2.99 ? "3 m or more" : metres(answer.most)}.`];
    if (answer.beside > 0) lines.push(`Opens ${metres(answer.beside, 1)} in the zones beside.`);
    const planned = state.tx === z.now[0] && state.rx === z.now[1];
    lines.push(z.cases.length === 1 ? "Heads of this zone are not to be moved here." : planned ? "Heads as planned." :
      `Planned: ${metres(z.tx[z.now[0]])} and ${metres(z.rx[z.now[1]])}.`);
    $("answer").replaceChildren(...lines.map((line) => {
      const p = document.createElement("p");
      p.textContent = line;
      return p;
    }));
  }

  function draw() {
    const z = state.zone, answer = caseOf(z), spot = worst(answer);
    for (const end of ["tx", "rx"]) {
      $(end).value = state[end];
      $(`${end}-value`).textContent = metres(z[end][state[end]]);
      $(end).setAttribute("aria-valuetext", `${z[end][state[end]].toFixed(2)} metres above ground`);
    }
    say(z, answer);
    const tops = z.beams.flatMap((b) => [z.posts[0] + b.tx, z.posts[1] + b.rx]);
    const low = Math.min(...z.ground), high = Math.max(...tops, ...z.ground) + 0.3;
    const step = (high - low) * 0.1, floor = low - step * (data.threats.length + 0.5);
    const base = { margin: MARGIN, showlegend: false, font: { family: "inherit", size: 12, color: INK }, dragmode: false,
      hovermode: "closest", paper_bgcolor: "#ffffff", plot_bgcolor: "#ffffff" };
    const names = data.threats.map((t, row) => ({ x: 0, y: floor + (row + 0.4) * step, text: plain(t.name), xanchor: "left",
      showarrow: false, font: { size: 11 } }));
    const traces = sectionTraces(z, answer);
    Plotly.react("section", traces, { ...base, shapes: [...bars(z, answer, floor, step), ...person(spot, z)],
      annotations: names,
      xaxis: { title: { text: "m from the transmitter post" }, range: [0, z.chainage[z.chainage.length - 1]] },
      yaxis: { title: { text: "level, m" }, range: [floor, high] } }, CONFIG);
    $("close-title").hidden = $("close").hidden = !spot;
    if (spot) {
      const ground = at(z.chainage, z.ground, spot.at);
      Plotly.react("close", traces, { ...base, shapes: person(spot, z),
        annotations: [{ x: spot.at, y: ground + spot.threat.base + spot.threat.height, yshift: 12, showarrow: false,
          bgcolor: "rgba(255,255,255,0.8)", text: plain(`${spot.threat.name}, ${metres(spot.threat.height)} high`) }],
        xaxis: { title: { text: "m from the transmitter post" }, range: [spot.at - 2.5, spot.at + 2.5] },
        yaxis: { title: { text: "level, m" }, range: [ground - 0.2, ground + Math.max(1.1, spot.threat.height + 0.3)],
          scaleanchor: "x", scaleratio: 1 } }, CONFIG);
    }
  }

  function choose(name) {
    const z = data.zones.find((one) => one.zone === name);
    if (!z) {
      $("answer").textContent = `Zone ${name} has no beam: nothing is detected in it.`;
      return;
    }
    state.zone = z;
    [state.tx, state.rx] = z.now;
    for (const end of ["tx", "rx"]) {
      $(end).max = z[end].length - 1;
      $(end).disabled = z[end].length < 2;
    }
    $("now").disabled = z.cases.length < 2;
    document.querySelectorAll(".level").forEach((e) => { e.textContent = `level ${z.level}`; });
    $("zone").value = name;
    $("zone-title").textContent = `Zone ${name}`;
    if ($("map").layout) Plotly.relayout("map", { annotations: mark(name) });
    draw();
  }

  // as high as the site is at this width, so that no paper is left empty
  const wide = $("map").clientWidth;
  $("map").style.height = `${Math.round(Math.min((wide - 48) * data.size[1] / data.size[0] + 44, 1.2 * wide))}px`;
  const axis = { showgrid: false, zeroline: false, ticks: "outside", constrain: "domain" };
  Plotly.newPlot("map", mapTraces(), { margin: { l: 40, r: 8, t: 8, b: 36 }, showlegend: false, hovermode: "closest",
    dragmode: innerWidth < 700 ? false : "pan", annotations: mark(data.first), font: { family: "inherit", size: 12, color: INK },
    xaxis: { ...axis, range: [0, data.size[0]], title: { text: "m east" } },
    yaxis: { ...axis, range: [0, data.size[1]], scaleanchor: "x", title: { text: "m north" } } }, CONFIG);
  $("map").on("plotly_click", (event) => {
    const hit = event.points.find((p) => p.data.meta);
    if (hit) choose(hit.data.meta);
  });
  // areas answer to a click only where the pointer rests on them
  let over = null;
  $("map").on("plotly_hover", (event) => { over = (event.points.find((p) => p.data.meta) || { data: {} }).data.meta; });
  $("map").on("plotly_unhover", () => { over = null; });
  $("map").addEventListener("click", () => { if (over) choose(over); });
  legend();
  $("zone").addEventListener("change", () => choose($("zone").value));
  for (const end of ["tx", "rx"]) {
    $(end).addEventListener("input", () => { state[end] = Number($(end).value); draw(); });
  }
  $("now").addEventListener("click", () => { [state.tx, state.rx] = state.zone.now; draw(); });
  if (data.first) choose(data.first);
})();
