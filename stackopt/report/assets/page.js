// Try it: each point's own best settings at the rate of the slider, computed from the data in the page.
//
// The figures are those of stackopt/tryout.py: the same operations in the same order, so that the same options tie.
// Figures are in mL, min and L ANR, as their names say. Names are only ever set as text.
(() => {
  "use strict";

  function computing(data) {
    const { points, dial, slack } = data;
    const most = (limit) => (limit === null ? Infinity : limit);
    const step = (_, k) => Math.min(dial.min_per_min + dial.step_per_min * k, dial.max_per_min);
    const rates = dial.rates_per_min ?? Array.from({ length: dial.steps }, step);
    const strokesOf = (point) => data.strokes[point.strokes];
    const screwsOf = (point) => data.screws[point.screws];
    const beyond = (miss) => (miss > slack ? miss : 0);

    // How far dose and air miss, as shares; air below 0 where there is too little.
    function misses(point, share, dose, flow) {
      const low = Math.max(point.flow_min_L_per_min, point.ratio_min_L_per_mL * dose);
      const high = Math.min(most(point.flow_max_L_per_min), most(point.ratio_max_L_per_mL) * dose);
      const air = beyond(Math.max(low - flow, flow - high) / point.reference_L_per_min);
      return {
        dose: beyond(Math.max(1 - point.below - share, share - (1 + most(point.above)))),
        air: low - flow >= flow - high ? -air : air,
      };
    }

    const endsOf = (number, stray) => (data.robust ? [number * (1 - stray), number * (1 + stray)] : [number]);
    const tooFast = (rate, stroke) => rate * (1 - data.rounding) > most(stroke.rate_max_per_min);
    const stalls = (stroke) => stroke.pressure_min_bar_absolute > data.pressure_bar_absolute * data.pressure_rounding;

    // What counts for a choice, the first first: whether it may run, excess, error with the cost of air and pumps.
    function costs(point, rate, stroke, screw) {
      const share = rate * (stroke.stroke_mL / point.dose_mL_per_min);
      let excess = 0;
      for (const end of endsOf(share, stroke.stray)) {
        const miss = misses(point, end, end * point.dose_mL_per_min, screw.flow_L_per_min);
        excess = Math.max(excess, miss.dose + Math.abs(miss.air));
      }
      const weight = data.worst ? 1 : point.weight;
      const air = (screw.flow_L_per_min + rate * stroke.drive_L) / data.capacity_L_per_min;
      const cost = data.air_weight * air + (data.price_weight / points.length) * stroke.price;
      return [
        2 * (Number(stroke.barred) + Number(stalls(stroke))) + Number(tooFast(rate, stroke)),
        weight * excess,
        weight * Math.abs(share - 1) + cost,
      ];
    }

    function ownBest(point, rate, pin) {
      let left = [];
      strokesOf(point).forEach((stroke, s) => {
        if (pin !== undefined && pin !== s) return;
        screwsOf(point).forEach((screw, z) => {
          left.push({ stroke: s, screw: z, costs: costs(point, rate, stroke, screw) });
        });
      });
      for (const k of [0, 1, 2]) {
        const least = left.reduce((found, option) => Math.min(found, option.costs[k]), Infinity);
        left = left.filter((option) => option.costs[k] <= least + data.tie);
      }
      return { rate, stroke: left[0].stroke, screw: left[0].screw };
    }

    function judged(point, { rate, stroke: s, screw: z }) {
      const stroke = strokesOf(point)[s];
      const { turns, flow_L_per_min: flow } = screwsOf(point)[z];
      const dose = rate * stroke.stroke_mL;
      const ends = endsOf(dose, stroke.stray).map((end) => misses(point, end / point.dose_mL_per_min, end, flow));
      const worse = ends.length > 1 && Math.abs(ends[0].air) > Math.abs(ends[1].air) ? ends[0] : ends[ends.length - 1];
      return {
        name: point.name, pump: stroke.pump, mark: stroke.mark, turns, dose_mL_per_h: dose * 60,
        error: dose / point.dose_mL_per_min - 1, air_L_per_min: flow,
        excess: Math.max(...ends.map((miss) => miss.dose + Math.abs(miss.air))),
        dose_miss: Math.max(...ends.map((miss) => miss.dose)),
        spray: worse.air === 0 ? "in window" : worse.air < 0 ? "too little air" : "too much air",
        // What rules look at.
        dose, rate, air: flow, drive: rate * stroke.drive_L, price: stroke.price, kind: stroke,
      };
    }

    function within(parts, low, high) {
      const size = parts.reduce((sum, part) => sum + Math.abs(part), 0);
      const total = parts.reduce((sum, part) => sum + part, 0);
      return (low === null || total >= low - data.rule_slack * (size + Math.abs(low)))
        && (high === null || total <= high + data.rule_slack * (size + Math.abs(high)));
    }

    const holds = {
      sum: (test, rows) => within(test.terms.map(([factor, n]) => factor * rows[n][test.of]), test.min, test.max),
      few: (test, rows) => new Set(test.points.map((n) => rows[n][test.of])).size <= test.most,
      only: (test, rows) => test.points.every((n) => test.labels.includes(rows[n][test.of])),
      never: (test, rows) => !test.points.some((n) => test.labels.includes(rows[n][test.of])),
    };

    function rulesOf(rows, air) {
      const checked = data.rules.filter((rule) => rule.tests);
      const keeps = (rule) => rule.tests.every((test) => holds[test.test](test, rows));
      const broken = checked.filter((rule) => !keeps(rule)).map((rule) => rule.name);
      const held = ["dial", "capacity", ...checked.map((rule) => rule.name)];
      if (air > data.capacity_L_per_min * data.room) broken.push("capacity");
      for (const n of data.by_name) {
        const { name, rate, pump, kind } = rows[n];
        const cut = points[n].rate_min_per_min;
        const fastest = most(kind.rate_max_per_min);
        if (rate < cut * (1 - data.rounding)) broken.push(`cut of ${name}`);
        if (cut > 0) held.push(`cut of ${name}`);
        if (kind.barred) broken.push(`fluids of ${pump}`);
        else if (stalls(kind)) broken.push(`min_pressure of ${pump}`);
        else if (rate > fastest * (1 + data.rounding)) broken.push(`max_rate of ${pump}`);
        if (!kind.barred && kind.pressure_min_bar_absolute > 0) held.push(`min_pressure of ${pump}`);
        if (fastest > 0 && fastest < Infinity) held.push(`max_rate of ${pump}`);
      }
      const told = new Set(broken);
      return {
        broken: [...told],
        held: [...new Set(held)].filter((name) => !told.has(name)),
        unchecked: data.rules.filter((rule) => !rule.tests).map((rule) => rule.name),
      };
    }

    function figures(chosen) {
      const rows = points.map((point, n) => judged(point, chosen[n]));
      const sum = (part) => data.by_name.reduce((found, n) => found + part(n), 0);
      const largest = (part) => rows.reduce((found, row) => Math.max(found, part(row)), 0);
      const air = sum((n) => rows[n].air) + sum((n) => rows[n].drive);
      const mean = sum((n) => points[n].weight * Math.abs(rows[n].error));
      const worst = largest((row) => Math.abs(row.error));
      const price = sum((n) => rows[n].price) / rows.length;
      return {
        rate_per_min: rows.reduce((least, row) => Math.min(least, row.rate), Infinity),
        chosen, points: rows, ...rulesOf(rows, air),
        totals: {
          air_L_per_min: air, capacity_L_per_min: data.capacity_L_per_min, air_share: air / data.capacity_L_per_min,
          points_in_tolerance: rows.filter((row) => row.excess === 0).length,
          excess: data.worst ? largest((row) => row.excess) : sum((n) => points[n].weight * rows[n].excess),
          mean_error: mean, worst_error: worst, mean_price: price,
          value: (data.worst ? worst : mean) + data.air_weight * air / data.capacity_L_per_min
            + data.price_weight * price,
        },
      };
    }

    // Twelve digits first, so that the order of a sum never shows; then halves away from 0, as the Python twin does.
    const rounded = (value) => Number(value.toPrecision(12));

    function shown(given, digits = data.digits) {
      const value = rounded(given);
      if (value === 0) return "0";
      const last = Number(value.toExponential(digits - 1).split("e")[1]) - digits + 1;
      const text = value.toFixed(Math.min(100, Math.max(0, -last)));
      return text.includes(".") ? text.replace(/0+$/, "").replace(/\.$/, "") : text;
    }

    function shownError(share) {
      const text = rounded(Math.abs(100 * share)).toFixed(1);
      return `${text === "0.0" ? "" : share < 0 ? "-" : "+"}${text} %`;
    }

    // The lines of the list, each what it tells and the names that it tells it of.
    const linesOf = ({ broken, held, unchecked }) => [
      ...broken.map((name) => ["broken", [name]]),
      ...(held.length ? [["held", held]] : []),
      ...unchecked.map((name) => ["not checked here", [name]]),
    ];

    function textsOf(found) {
      const { points: rows, totals } = found;
      const used = [...new Set(rows.map((row) => row.rate))].sort((one, other) => one - other);
      return {
        rate: `${used.map((rate) => shown(rate, data.fine_digits)).join(" and ")} strokes/min`,
        total: `Air ${shown(totals.air_L_per_min)} of ${shown(totals.capacity_L_per_min)} L/min, drive air included; `
          + `${totals.points_in_tolerance} of ${rows.length} points in tolerance; `
          + `mean error ${shownError(totals.mean_error).replace("+", "")}, `
          + `worst ${shownError(totals.worst_error).replace("+", "")}.`,
        rules: linesOf(found).map(([what, names]) => `${what}: ${names.join(", ")}`),
        points: rows.map((row) => ({
          pump: row.pump, mark: row.mark, turns: shown(row.turns, data.fine_digits), dose: shown(row.dose_mL_per_h),
          error: shownError(row.error) + (row.dose_miss ? ", out of tolerance" : ""),
          air: shown(row.air_L_per_min), spray: row.spray,
        })),
      };
    }

    const asChosen = ({ rate_per_min: rate, stroke, screw }) => ({ rate, stroke, screw });
    const told = (found) => ({ ...found, texts: textsOf(found) });
    return {
      rates, strokesOf, linesOf,
      at: (index, pins = {}) => told(figures(points.map((point, n) => ownBest(point, rates[index], pins[n])))),
      proved: () => (data.proved ? told(figures(data.proved.points.map(asChosen))) : null),
    };
  }

  const HEADS = [
    ["point", "Point"], ["pump", "Pump"], ["mark", "Mark"], ["turns", "Turns"], ["dose", "Dose, mL/h"],
    ["error", "Error"], ["air", "Air, L/min ANR"], ["spray", "Spray"], ["proved", ""],
  ];

  function element(tag, { text, ...attributes } = {}, ...inside) {
    const made = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
    if (text !== undefined) made.textContent = text;
    made.append(...inside);
    return made;
  }

  // A name keeps its direction of writing to itself.
  const bdi = (text) => element("bdi", { text });

  function start() {
    const source = document.getElementById("tryout-data");
    const table = document.getElementById("tryout-table");
    if (!source || !table) return;
    const data = JSON.parse(source.textContent);
    const compute = computing(data);
    const slider = document.getElementById("tryout-rate");
    const shownRate = document.getElementById("tryout-rate-shown");
    const back = document.getElementById("tryout-back");
    const total = document.getElementById("tryout-total");
    const rules = document.getElementById("tryout-rules");
    const pins = {};
    let told = "";

    function head() {
      const answer = data.proved ? (data.proved.optimal ? "Proved best" : "Best found") : "Proved best";
      const row = element("tr");
      for (const [name, text] of HEADS) row.append(element("th", { scope: "col", class: name, text: text || answer }));
      return row;
    }

    function pinOf(point, n) {
      const strokes = compute.strokesOf(point);
      const several = new Set(strokes.map((stroke) => stroke.pump)).size > 1;
      const select = element("select", { "aria-label": `mark of ${point.name}`, autocomplete: "off" });
      select.append(element("option", { value: "", text: "own best" }));
      strokes.forEach((stroke, s) => {
        const text = `${several ? `${stroke.pump}, ` : ""}mark ${stroke.mark}`;
        select.append(element("option", { value: String(s), text }));
      });
      select.addEventListener("change", () => {
        if (select.value === "") delete pins[n];
        else pins[n] = Number(select.value);
        move();
      });
      return select;
    }

    function bodyRow(point, n) {
      const row = element("tr", { "data-point": String(n) });
      row.append(element("th", { scope: "row", class: "point" }, bdi(point.name)));
      for (const [name] of HEADS.slice(1)) {
        const inside = name === "mark" ? [bdi(""), " ", pinOf(point, n)] : name === "pump" ? [bdi("")]
          : name === "proved" ? [bdi(data.proved ? data.proved.points[n].text : "none")] : [];
        row.append(element("td", { class: name }, ...inside));
      }
      return row;
    }

    if (!table.tHead) table.createTHead();
    if (!table.tHead.rows.length) table.tHead.append(head());
    const body = table.tBodies[0] ?? table.createTBody();
    body.replaceChildren(...data.points.map(bodyRow)); // what stands there is for pages whose scripts do not run
    const rows = [...body.rows].map((row) => Object.fromEntries(HEADS.slice(1).map(
      ([name]) => [name, row.querySelector(`td.${name} > bdi`) ?? row.querySelector(`td.${name}`)])));
    const selects = [...body.querySelectorAll("td.mark select")];
    total.after(...data.notes.map((text) => element("p", { class: "note", text })));

    function line([what, names]) {
      const item = element("li", { class: what.replaceAll(" ", "-"), text: `${what}: ` });
      names.forEach((name, n) => item.append(...(n ? [", "] : []), bdi(name)));
      return item;
    }

    function setText(node, text) {
      if (node.textContent !== text) node.textContent = text; // what has not changed is not read out again
    }

    function show(found, what) {
      const { texts } = found;
      setText(shownRate, texts.rate);
      slider.setAttribute("aria-valuetext", texts.rate);
      setText(total, `${what} ${texts.total}`);
      texts.points.forEach((cells, n) => {
        for (const [name, text] of Object.entries(cells)) setText(rows[n][name], text);
        body.rows[n].classList.toggle("out", found.points[n].excess > 0);
        body.rows[n].classList.toggle("pinned", n in pins);
      });
      const lines = JSON.stringify(compute.linesOf(found));
      if (lines !== told) rules.replaceChildren(...compute.linesOf(found).map(line));
      told = lines;
    }

    function move() {
      const pinned = Object.keys(pins).length ? "Marks pinned, else each point's own best." : "Each point's own best.";
      show(compute.at(Number(slider.value), pins), pinned);
    }

    function home() {
      for (const n of Object.keys(pins)) delete pins[n];
      for (const select of selects) select.value = "";
      slider.value = String(data.proved.index);
      show(compute.proved(), data.proved.optimal ? "The proved best." : "The best found.");
    }

    slider.min = "0";
    slider.max = String(compute.rates.length - 1);
    slider.step = "1";
    slider.setAttribute("autocomplete", "off");
    if (!slider.hasAttribute("aria-label") && !slider.labels?.length) slider.setAttribute("aria-label", "rate");
    rules.setAttribute("aria-live", "polite");
    slider.addEventListener("input", move);
    back.addEventListener("click", home);
    if (data.proved) home();
    else {
      back.disabled = true;
      slider.value = "0";
      move();
    }
    window.tryout = { at: compute.at, proved: compute.proved, rates: compute.rates };
  }

  if (document.readyState === "loading") document.addEventListener("DOMContentLoaded", start);
  else start();
})();
