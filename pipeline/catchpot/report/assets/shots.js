"use strict";
// One shot, or two laid over one another, drawn from the month's data file.
catchpot.shots = (function () {
  const { element, remember, asked, root } = catchpot;
  const given = catchpot.read("shots-data");
  const known = {};
  const waiting = {};
  const take = (shots) => Object.assign(known, shots);
  if (!given) return { take };

  const one = document.getElementById("shot");
  const other = document.getElementById("with");
  const view = document.getElementById("shot-view");
  const said = document.getElementById("shot-said");
  const MAIN = CATCHPOT.layout.colorway[0], SECOND = CATCHPOT.layout.colorway[1];
  const theme = CATCHPOT.roles;

  function load(shot) {
    if (known[shot]) return Promise.resolve(known[shot]);
    const file = "data/" + given.stem + "-" + given.months[shot] + ".js";
    if (!waiting[file]) {
      waiting[file] = new Promise((done, failed) => {
        const script = element("script", null, { src: file });
        script.onload = done;
        script.onerror = () => failed(new Error("its data file is not beside the page"));
        document.head.append(script);
      });
    }
    return waiting[file].then(() => {
      if (!known[shot]) throw new Error("its data file does not hold it");
      return known[shot];
    });
  }

  const times = (s) => s.t.flatMap((t, i) => [t / 10, ((i + 1 < s.t.length ? s.t[i + 1] : t) + t) / 20]);
  const scaled = (values, step) => values.map((v) => (v === null ? null : v * step));
  const clean = (text) => String(text).replace(/&/g, "&amp;").replace(/</g, "&lt;").replace(/>/g, "&gt;");

  function figure(id, title, summary, data, layout, height) {
    const box = element("figure", null, { id });
    box.append(element("figcaption", title));
    const plot = element("div", null, {
      class: "plot l0" + (height > 900 ? " tall" : ""), id: id + "-plot", "data-figure": id, "data-height": String(height), role: "img",
      "aria-label": title + ". " + summary,
    });
    box.append(plot, element("p", summary, { class: "note" }));
    const block = element("script", JSON.stringify({ data, layout }), { type: "application/json", id: id + "-data" });
    box.append(block);
    view.append(box);
    catchpot.figures.add(plot);
    return box;
  }

  function strips(names, shots) {
    const present = Object.keys(given.channels).filter((c) => shots.some((s) => s.c && s.c[c]));
    const room = 1 / Math.max(present.length, 1);
    const layout = {
      margin: { l: 64, r: 18, t: 26, b: 44 }, annotations: [], shapes: [],
      xaxis: { title: { text: "time since the first sample [s]" }, anchor: "y" + (present.length > 1 ? present.length : ""), rangemode: "tozero" },
    };
    const data = [];
    present.forEach((channel, row) => {
      const [words, step] = given.channels[channel];
      const suffix = row ? String(row + 1) : "";
      const top = 1 - row * room - room * 0.17;
      layout["yaxis" + suffix] = { domain: [1 - (row + 1) * room, top], nticks: 4, fixedrange: true };
      layout.annotations.push({ text: "<b>" + clean(words) + "</b>", showarrow: false, x: 0, xref: "paper", xanchor: "left",
        y: top, yref: "paper", yanchor: "bottom", font: { size: 12 } });
      shots.forEach((shot, n) => {
        if (shot.c && shot.c[channel]) data.push({
          type: "scatter", mode: "lines", name: clean(names[n] + ", " + words), x: times(shot), y: scaled(shot.c[channel], step),
          yaxis: "y" + suffix, line: { width: n ? 1 : 1.3, color: n ? SECOND : MAIN, dash: n ? "dot" : "solid" },
          hovertemplate: clean(names[n]) + "<br>%{x:.0f} s: %{y:.4g}<extra></extra>",
        });
      });
    });
    const span = Math.max(...shots.map((s) => (s.t && s.t.length ? s.t[s.t.length - 1] / 10 : 0)), 1);
    (shots[0].phases || []).forEach(([phase, from, to], n) => {
      if (n % 2 === 0) layout.shapes.push({ type: "rect", xref: "x", x0: from, x1: to, yref: "paper", y0: 0, y1: 1,
        fillcolor: theme.ground, line: { width: 0 }, layer: "below" });
      // A phase too short for its name in this window is named below the figure only.
      const wide = ((to - from) / span) * Math.max(view.clientWidth - 82, 1);
      if (wide > 6.2 * phase.length) layout.annotations.push({ text: "<i>" + clean(phase) + "</i>", showarrow: false, x: (from + to) / 2, xref: "x", y: 1,
        yref: "paper", yanchor: "bottom", yshift: 6 });
    });
    const words = present.map((c) => given.channels[c][0]).join(", ");
    const phases = (shots[0].phases || []).map(([p, a, b]) => p + " " + Math.round(a) + " to " + Math.round(b) + " s").join(", ");
    figure("channels", "All channels over time", words + ". Phases of " + names[0] + ": " + (phases || "none found") + "."
      + (names[1] ? " Dotted: " + names[1] + "." : ""), data, layout, 90 + 105 * present.length);
  }

  const at = (xs, ys, x) => {
    if (x < xs[0] || x > xs[xs.length - 1]) return null;
    let i = 1;
    while (i < xs.length - 1 && xs[i] < x) i += 1;
    if (ys[i] === null || ys[i - 1] === null) return null;
    return ys[i - 1] + ((ys[i] - ys[i - 1]) * (x - xs[i - 1])) / (xs[i] - xs[i - 1] || 1);
  };

  function curves(names, shots) {
    const drawn = shots.map((s, n) => (s.curve ? { name: names[n], volume: s.curve[1].map((_, i) => (s.curve[0] * (i + 0.5)) / s.curve[1].length), values: s.curve[1].map((v) => (v === null ? null : v * (given.own ? given.own[4] / s.curve[2] : 1))) } : null));
    if (!drawn.some(Boolean)) return;
    const own = given.own;
    const data = [];
    const [litre, per_litre] = given.litre, [heading, scale] = given.resistance;
    const times = (v) => (v === null ? null : v * scale);
    const unit = own ? own[3] : 1;
    const place = (v) => (own ? (100 * v) / unit : v * per_litre);
    if (own) {
      const x = own[0].map(place);
      const edge = (sign) => own[1].map((v, i) => (v === null ? null : scale * Math.max(0, v + sign * 1.96 * (own[2][i] || 0))));
      data.push({ type: "scatter", mode: "lines", name: "lower edge", x, y: edge(-1), hoverinfo: "skip", line: { width: 0.8, color: theme.frame } });
      data.push({ type: "scatter", mode: "lines", name: "scatter from shot to shot, 95 %", x, y: edge(1), hoverinfo: "skip",
        fill: "tonexty", fillcolor: theme.band, line: { width: 0.8, color: theme.frame } });
      data.push({ type: "scatter", mode: "lines", name: "the mould's own curve", x, y: own[1].map(times), line: { width: 2, color: theme.second } });
    }
    drawn.forEach((d, n) => d && data.push({
      type: "scatter", mode: "markers", name: clean(d.name), x: d.volume.map(place), y: d.values.map(times),
      marker: { size: 4, color: n ? theme.third : MAIN, symbol: n ? "circle-open" : "circle" },
      hovertemplate: clean(d.name) + "<br>%{x:.1f}: %{y:.3g}<extra></extra>",
    }));
    const tops = drawn.flatMap((d) => (d ? d.values.filter((v, i) => v !== null && (!own || d.volume[i] < 0.97 * unit)) : []));
    const x_words = own ? "share of the usual arrival volume [%]" : "metered volume [" + litre + "]";
    const axes = { margin: { l: 64, r: 18, t: 26, b: 44 }, xaxis: { title: { text: x_words }, rangemode: "tozero" } };
    figure("curve", "The curve against the mould's own: " + heading, "Resistance is the driving pressure over the flow"
      + (own ? ", here at the mould's usual viscosity, so that warm and cold shots compare; 100 % is " + (unit * per_litre).toPrecision(4).replace(".", CATCHPOT.decimal) + " " + litre + ", the tinted band is the usual scatter from shot to shot (95 %)." : "."), data,
      Object.assign({ yaxis: { fixedrange: true, range: [0, 1.5 * scale * Math.max(...tops, 1e-9)] } }, axes), 360);
    if (!own) return;
    const left = [];
    drawn.forEach((d, n) => d && left.push({
      type: "scatter", mode: "markers", name: clean(d.name), x: d.volume.map(place),
      y: d.values.map((v, i) => { const u = at(own[0], own[1], d.volume[i]); return v === null || !u ? null : 100 * (v / u - 1); }),
      marker: { size: 4, color: n ? theme.third : MAIN, symbol: n ? "circle-open" : "circle" },
      hovertemplate: clean(d.name) + "<br>%{x:.1f} %: %{y:.1f} %<extra></extra>",
    }));
    figure("residuals", "How far it lies from the mould's own curve [%]", "Resistance against the mould's own curve at the same volume; nought is as usual.", left,
      Object.assign({ yaxis: { fixedrange: true, range: [-60, 60], zeroline: true, zerolinecolor: theme.frame } }, axes), 240);
  }

  // Very small or large: all three with the power of ten of the first.
  function raised(values) {
    const exponent = Math.floor(Math.log10(Math.abs(values[0])));
    const power = String(exponent).replace(/[-0-9]/g, (c) => "\u207b\u2070\u00b9\u00b2\u00b3\u2074\u2075\u2076\u2077\u2078\u2079"["-0123456789".indexOf(c)]);
    return values.map((x) => (typeof x === "number"
      ? (x / 10 ** exponent).toFixed(2).replace(".", CATCHPOT.decimal) : null)).concat(" \u00d7 10" + power);
  }

  function spelled(v, low, high) {
    if (typeof v !== "number") return "not known";
    const half = typeof low === "number" && typeof high === "number" ? (high - low) / 2 : NaN;
    const size = Math.abs(v);
    if (size !== 0 && (size < 1e-3 || size >= 1e5)) return raised([v, low, high]);
    const lead = half > 0 ? Math.floor(Math.log10(half)) : Math.floor(Math.log10(size || 1)) - 2;
    const places = Math.max(0, Math.min(6, half > 0 ? -lead + (half / 10 ** lead < 3 ? 1 : 0) : -lead));
    return [v, low, high].map((x) => (typeof x === "number"
      ? x.toFixed(places).replace(/^-(?=[0.]*$)/, "").replace(".", CATCHPOT.decimal) : null));
  }

  function numbers(names) {
    const all = names.map((n) => Object.fromEntries((given.numbers[n] || []).map(([q, ...v]) => [q, v])));
    const wanted = given.quantities.map((_, i) => i).filter((i) => all.some((a) => a[i]));
    if (!wanted.length) return;
    const table = element("table", null, { id: "shot-numbers" });
    table.append(element("caption", "Numbers with their 95 % intervals"));
    const head = element("tr");
    ["quantity", "unit", ...names].forEach((w) => head.append(element("th", w, { scope: "col" })));
    const top = element("thead");
    top.append(head);
    const body = element("tbody");
    for (const i of wanted) {
      const row = element("tr");
      row.append(element("th", given.quantities[i][0], { scope: "row" }), element("td", given.quantities[i][1]));
      for (const a of all) {
        const s = a[i] ? spelled(...a[i]) : null;
        const cell = element("td", s === null ? "\u2013" : s === "not known" ? s
          : (s[0] + (s[3] || "") + (s[1] && s[2] ? " (" + s[1] + " to " + s[2] + ")" : "")).replace(/-/g, "\u2212"));
        if (a[i]) cell.dataset.value = a[i][0];
        row.append(cell);
      }
      body.append(row);
    }
    table.append(top, body);
    const scroll = element("div", null, { class: "scroll", role: "region", tabindex: "0", "aria-label": "Numbers of the shot" });
    scroll.append(table);
    view.append(scroll);
  }

  function found(names, shots) {
    names.forEach((name, n) => {
      const list = given.found[name] || [];
      view.append(element("h3", "Findings of " + name));
      if (!list.length) view.append(element("p", "None. \u201cNo finding\u201d is not \u201csafe\u201d."));
      const items = element("ul", null, { class: "findings" });
      for (const [severity, kind, message, advice] of list) {
        const item = element("li");
        const first = element("p");
        first.append(element("span", severity, { class: "state state-" + severity }), element("strong", kind));
        item.append(first, element("p", message));
        if (advice) item.append(element("p", advice));
        items.append(item);
      }
      if (list.length) view.append(items);
      const log = shots[n].log || [];
      view.append(element("h3", "Its log"));
      view.append(element("p", "File " + shots[n].file + (shots[n].injector ? ", " + shots[n].injector : "") + (shots[n].set ? ", set to " + String(+(shots[n].set * given.litre[1]).toPrecision(6)).replace(".", CATCHPOT.decimal) + " " + given.litre[0] : "") + "."));
      if (log.length) {
        const lines = element("ul");
        log.forEach((l) => lines.append(element("li", l)));
        view.append(lines);
      } else {
        view.append(element("p", "Nothing was wrong with it."));
      }
    });
  }

  let turn = 0;
  async function show() {
    const mine = ++turn;
    const names = [one.value, other.value].filter((v, i, all) => v && all.indexOf(v) === i);
    document.getElementById("one").hidden = false;
    document.getElementById("one-title").textContent = names.join(", laid over by ");
    said.textContent = "Reading the data of " + names.join(" and ") + ".";
    let shots;
    try {
      shots = await Promise.all(names.map(load));
      await catchpot.figures.library();
    } catch (error) {
      said.textContent = names[0] + " can't be drawn: " + error.message + ".";
      return;
    }
    if (mine !== turn) return;
    catchpot.figures.forget(view);
    view.replaceChildren();
    said.textContent = names.map((n) => n + ", " + given.starts[n]).join("; laid over by ") + ".";
    strips(names, shots);
    curves(names, shots);
    numbers(names);
    found(names, shots);
    view.dataset.shown = names.join(" ");
  }
  const chosen = () => { remember({ shot: one.value, with: other.value }); show(); };
  one.addEventListener("change", chosen);
  other.addEventListener("change", chosen);
  document.getElementById("shots").addEventListener("click", (e) => {
    const link = e.target.closest("a");
    if (!link || e.ctrlKey || e.metaKey || e.shiftKey) return;
    e.preventDefault();
    one.value = new URLSearchParams(new URL(link.href).search).get("shot");
    chosen();
    document.getElementById("one").scrollIntoView();
  });
  window.addEventListener("DOMContentLoaded", () => {
    if (asked("shot") && given.months[asked("shot")]) {
      one.value = asked("shot");
      other.value = given.months[asked("with")] ? asked("with") : "";
      show();
    }
  });
  return { take };
})();
