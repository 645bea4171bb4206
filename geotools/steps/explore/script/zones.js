// Every zone in one table, what the plan costs, and what would be built in the zone that is chosen.
const chosenOption = (name) => data.summary[name].options.find((o) => o.recommended);
const figure = (value, digits = 1) => (value === null || value === undefined ? "\u2013" : value.toFixed(digits));

function drawAll() {
  const rows = data.zones.map((z) => {
    const option = chosenOption(z.zone), said = data.summary[z.zone].lengths,
      held = data.nuisance && data.nuisance.windows[z.zone];
    const button = element("button", z.zone, { type: "button", class: "plain" });
    button.addEventListener("click", () => { choose(z.zone); $("zone-part").focus(); });
    const dead = deadOf(nowOf(z)), after = deadAfter(z);
    return [button, dead > 0 ? figure(dead) : "none", said ? figure(said.unproven || 0) : "\u2013",
      option ? words(option.option) : dead > 0 ? "not searched" : "nothing", option ? money(option.cost) : "\u2013",
      after === null ? "\u2013" : after > 0 ? figure(after) : "none", held ? held.state : "\u2013"];
  });
  $("all").replaceChildren(table("Lengths in metres; dead: of the threat with most of it, by the best estimate",
    ["zone", "dead", "unproven fence", "to do", "price", "dead after", "window"], rows));
}

function drawCost() {
  const parts = data.bill.parts;
  $("cost-part").hidden = !parts.length;
  if (!parts.length) return;
  const rows = parts.map((p) => [words(p.part), money(p.amount), p.placeholder ? "rests on placeholder prices" : "prices of the site file"]);
  rows.push(["all", money(parts.reduce((sum, p) => sum + p.amount, 0)), "sum of the above"]);
  $("cost").replaceChildren(table("Bill of quantities; every item is in bill.xlsx", ["part", "amount", "prices"], rows));
}

function drawBuilt(z) {
  const summary = data.summary[z.zone], option = chosenOption(z.zone), made = [];
  if (option) {
    made.push(element("p", option.reason));
    made.push(element("p", `Price with tolerances: ${money(option.cost)}. ${option.clear
      ? "Clear: a re-run of the detection had no undetected crossing." : "Not clear: a re-run of the detection had undetected crossings."}`));
  } else {
    made.push(element("p", deadOf(nowOf(z)) > 0 ? "No remedy in the plan: run geotools remedy, then geotools explore again."
      : "Nothing: no dead spot by the best estimate."));
  }
  for (const head of summary.heads) {
    const before = head.existing_height_m === null ? "" : `, ${metres(head.existing_height_m)} as laid out`;
    made.push(element("p", `Head ${head.head_id}: ${head.change}, ${metres(head.height_m)} above the finished ground${before}.`));
  }
  if (summary.options.length > 1) {
    made.push(table("Options compared", ["option", "price", "cut, m\u00b3", "fill, m\u00b3", "dead after, m", "clear"],
      summary.options.map((o) => [words(o.option) + (o.recommended ? " (advised)" : ""), money(o.cost), figure(o.cut_m3),
        figure(o.fill_m3), figure(o.dead_after_m), o.clear ? "yes" : "no"])));
  }
  $("built").replaceChildren(...made);
}

function drawOpen(z) {
  const { lengths: said, settle } = data.summary[z.zone], made = [];
  if (!said) {
    made.push(element("p", "No verdicts in the plan: run geotools gaps, then geotools explore again."));
  } else {
    const order = Object.keys(VERDICT).filter((verdict) => said[verdict]);
    made.push(element("p", `Fence answered for by this zone, as planned: ${
      order.map((verdict) => `${VERDICT[verdict][0]} ${metres(said[verdict], 1)}`).join("; ")}.`));
    if (settle.length) {
      const list = element("ul");
      list.append(...settle.map((text) => element("li", text)));
      made.push(element("p", "What would decide the unproven part:"), list);
    }
    if (z.after) made.push(element("p", "How sure the state after the remedy is, is not on this page: run geotools apply, then gaps on what it makes."));
  }
  $("open").replaceChildren(...made);
}
