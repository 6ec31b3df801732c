"use strict";
(() => {
  const data = JSON.parse(document.getElementById("report-data").textContent);
  const decoded = new Map();
  let printing = false;
  // Pixels; a page of A4 within its margins is 688 wide and 994 high.
  const NARROW = 720, PRINT_WIDTH = 680, HALF_WIDTH = 332, PRINT_HEIGHT = 235;
  const PANEL_HEIGHT = 215, PANEL_HEIGHT_PRINTED = 130, FEW_HEIGHT_PRINTED = 150, TICKS_HEIGHT = 22, LEGEND_LINE = 18, NAME_LINE = 16;
  const PANELS_A_PAGE = 12, MOST_PANELS = 36;
  const CONFIG = {
    responsive: true, displaylogo: false, toImageButtonOptions: { format: "svg" },
    // Named one by one: none that would send or link anything anywhere.
    modeBarButtons: [["toImage"], ["zoom2d", "pan2d", "zoomIn2d", "zoomOut2d", "resetScale2d"]],
  };

  // Numbers are base64 of little-endian doubles, each array once for all plots that use it.
  function numbers(place) {
    if (!decoded.has(place)) {
      const text = atob(data.arrays[place]);
      const bytes = Uint8Array.from(text, (letter) => letter.charCodeAt(0));
      const view = new DataView(bytes.buffer);
      decoded.set(place, Float64Array.from({ length: bytes.length / 8 }, (_, i) => view.getFloat64(8 * i, true)));
    }
    return decoded.get(place);
  }

  function isShown(filter) {
    if (!filter) return true;
    return [...document.querySelectorAll("input[data-filter]")].every(
      (box) => box.checked || filter[box.dataset.filter] === null ||
        String(filter[box.dataset.filter]) !== (box.dataset.filter === "temperature" ? String(Number(box.value)) : box.value));
  }

  function traces(spec, set) {
    return set.traces.map(([style, x, y]) => {
      const { filter, ...look } = spec.styles[style];
      return {
        type: "scatter", ...structuredClone(look), x: numbers(x), y: numbers(y), connectgaps: false,
        visible: isShown(filter) ? true : "legendonly",
      };
    });
  }

  function chosen(place) {
    const select = document.querySelector(`select[data-choose="${place}"]`);
    return select ? select.value : "0";
  }

  function layoutFor(spec, width) {
    const layout = structuredClone(spec.layout);
    if (width < NARROW && layout.legend) {
      layout.legend = { ...layout.legend, orientation: "h", x: 0, y: -0.22, xanchor: "left", yanchor: "top" };
      layout.height += 20 * Math.ceil(spec.sets[0].traces.length / 2);
    }
    return layout;
  }

  // One choice for all plots that offer it: a reader looks at one frequency, not at one plot's frequency.
  function choose(select) {
    const wanted = select.selectedOptions[0].text;
    document.querySelectorAll("select[data-choose]").forEach((other) => {
      const match = [...other.options].find((option) => option.text === wanted);
      if (match && other.closest("label").firstChild.textContent === select.closest("label").firstChild.textContent) {
        other.value = match.value;
        draw(Number(other.dataset.choose));
      }
    });
  }

  function draw(place) {
    const spec = data.plots[place];
    const canvas = document.querySelector(`[data-plot="${place}"]`);
    if (!spec || !canvas) return;
    const choice = chosen(place);
    const figure = canvas.closest(".plot");
    figure.classList.toggle("side-by-side", choice === "all");
    if (choice === "all") {
      drawPanels(place, Math.max(320, figure.clientWidth));
      return;
    }
    const layout = layoutFor(spec, canvas.clientWidth);
    if (spec.sets.length > 1) layout.title.text += ` at ${spec.sets[Number(choice)].name}`;
    Plotly.react(canvas, traces(spec, spec.sets[Number(choice)]), layout, { ...CONFIG, displayModeBar: canvas.clientWidth < NARROW ? false : "hover" });
  }

  // Plotly breaks no lines of its own; a text from a file comes escaped, so that an "&" is never cut.
  function wrapped(text, letters) {
    const lines = [""];
    for (const word of text.replaceAll("<br>", " ").split(" ")) {
      const last = lines[lines.length - 1];
      if (last && last.length + 1 + word.length > letters) lines.push(word);
      else lines[lines.length - 1] = last ? `${last} ${word}` : word;
    }
    return lines;
  }

  // All choices as small plots with one scale, for print and for comparing at a glance.
  function drawPanels(place, width) {
    const spec = data.plots[place];
    const home = document.querySelector(`[data-panels="${place}"]`), figure = home.closest(".plot");
    home.replaceChildren();
    const few = printing && document.body.classList.contains("abridged") ? spec.few : spec.sets.map((_, index) => index);
    const step = Math.max(1, Math.ceil(few.length / MOST_PANELS));
    const sets = few.filter((_, index) => index % step === 0).map((index) => spec.sets[index]);
    const parts = printing ? Math.ceil(sets.length / PANELS_A_PAGE) : 1, each = Math.ceil(sets.length / parts);
    figure.classList.toggle("in-parts", parts > 1);
    for (let part = 0; part < parts; part += 1) {
      const box = document.createElement("div"), canvas = document.createElement("div");
      box.className = "part";
      // What a figure is made of stays together on paper, so each page of a long one has all of it.
      if (parts > 1) box.append(copied(figure, ".print-title", ` (${part + 1} of ${parts})`));
      box.append(canvas);
      home.append(box);
      panelGroup(canvas, spec, sets.slice(part * each, (part + 1) * each), width);
      if (parts > 1) box.append(copied(figure, ".print-key"), copied(figure, "figcaption"));
    }
    if (step > 1) {
      const note = document.createElement("p");
      note.className = "note";
      note.textContent = `Side by side: one in ${step} of ${few.length}; the others by the selector, and in the record.`;
      home.append(note);
    }
  }

  function copied(figure, what, more = "") {
    const copy = [...figure.children].find((one) => one.matches(what)).cloneNode(true);
    if (more) copy.append(more);
    return copy;
  }

  // Sizes in pixels, so that names and ticks have their room however many rows there are.
  function panelGroup(canvas, spec, sets, width) {
    const most = width < 560 ? 1 : sets.length > 6 ? 4 : 3;
    const columns = Math.min(most, sets.length), rows = Math.ceil(sets.length / columns);
    const base = spec.layout, margin = { l: 62, r: 10, t: printing ? 22 : 84, b: 40 };
    const is_abridged = document.body.classList.contains("abridged");
    const high = !printing ? PANEL_HEIGHT : rows > 1 || is_abridged ? PANEL_HEIGHT_PRINTED : FEW_HEIGHT_PRINTED;
    const name_y = wrapped(base.yaxis.title.text, Math.floor(rows * high / 6.8));
    margin.l += NAME_LINE * (name_y.length - 1);
    const wide = (width - margin.l - margin.r) / columns;
    const names = sets.map((set) => wrapped(set.name, Math.floor(wide / 7.4)));
    const head = 6 + 14 * Math.max(...names.map((lines) => lines.length));
    const row_high = head + high + TICKS_HEIGHT, whole = rows * row_high;
    const named = new Set(sets.flatMap((set) => set.traces.map(([style]) => spec.styles[style].name)));
    const legend_high = printing ? 0 : 30 + LEGEND_LINE * Math.ceil(named.size / Math.max(1, Math.floor(width / 260)));
    margin.b += legend_high;
    const layout = {
      ...structuredClone(base), width, height: margin.t + whole + margin.b, margin,
      // Above the note that the plot is simulated, which stands above the panels.
      title: { ...base.title, text: printing ? "" : base.title.text, yref: "container", y: 1, yanchor: "top", pad: { t: 10 } },
      showlegend: !printing,
      legend: { orientation: "h", x: 0, y: -36 / whole, xanchor: "left", yanchor: "top", font: { size: 11 } },
    };
    layout.annotations = (base.annotations || []).map((note) => ({ ...note, yshift: printing ? 2 : 24, font: { ...note.font, size: printing ? 10 : 12 } }));
    // Each axis is named once for all panels: beside a small panel its name would not fit.
    const words = { xref: "paper", yref: "paper", showarrow: false, font: { size: 12 } };
    layout.annotations.push(
      { ...words, text: base.xaxis.title.text, x: 0.5, y: 0, xanchor: "center", yanchor: "top", yshift: -15 },
      { ...words, text: name_y.join("<br>"), x: 0, y: 0.5, textangle: -90, xanchor: "right", yanchor: "middle", xshift: -34 });
    const all = [], seen = new Set();
    sets.forEach((set, index) => {
      const row = Math.floor(index / columns), column = index % columns, suffix = index ? String(index + 1) : "";
      const x = [column / columns + 8 / (columns * wide), (column + 1) / columns - 4 / (columns * wide)];
      const top = row * row_high + head;
      const y = [1 - (top + high) / whole, 1 - top / whole];
      const axis = { automargin: false, title: undefined, tickfont: { size: 10 } };
      layout[`xaxis${suffix}`] = { ...structuredClone(base.xaxis), ...axis, domain: x, anchor: `y${suffix}`, nticks: Math.max(3, Math.floor(wide / 45)) };
      layout[`yaxis${suffix}`] = { ...structuredClone(base.yaxis), ...axis, domain: y, anchor: `x${suffix}`, showticklabels: column === 0 };
      if (base.yaxis.type !== "log") layout[`yaxis${suffix}`].nticks = Math.max(4, Math.floor(high / 26));
      layout.annotations.push({ text: `<b>${names[index].join("<br>")}</b>`, xref: "paper", yref: "paper", x: (x[0] + x[1]) / 2, y: y[1], xanchor: "center", yanchor: "bottom", showarrow: false, font: { size: 11 } });
      for (const trace of traces(spec, set)) {
        all.push({ ...trace, xaxis: `x${suffix}`, yaxis: `y${suffix}`, legendgroup: trace.name, showlegend: !seen.has(trace.name), marker: { ...trace.marker, size: trace.marker.size * 0.6 }, line: { ...trace.line, width: trace.line.width * 0.72 } });
        seen.add(trace.name);
      }
    });
    Plotly.newPlot(canvas, all, layout, { ...CONFIG, responsive: false });
  }

  // One plot without choices, as wide as paper or, where an abridged report sets two side by side, as half of it.
  function drawPrinted(place) {
    const spec = data.plots[place], canvas = document.querySelector(`[data-plot="${place}"]`);
    const half = document.body.classList.contains("abridged") && canvas.closest(".plot-grid") !== null;
    const width = half ? HALF_WIDTH : PRINT_WIDTH;
    const layout = structuredClone(spec.layout);
    // Title and legend stand as text above and below.
    layout.title = undefined;
    layout.showlegend = false;
    Object.assign(layout, { width, height: PRINT_HEIGHT + (layout.yaxis2 ? 120 : 0), margin: { l: 60, r: 12, t: 24, b: 44 } });
    layout.font = { ...layout.font, size: 11 };
    layout.yaxis.title.text = wrapped(layout.yaxis.title.text, 28).join("<br>");
    layout.xaxis.title.standoff = layout.yaxis.title.standoff = 6;
    if (layout.yaxis.type !== "log") layout.yaxis.nticks = 7;
    layout.annotations = (layout.annotations || []).map((note) => ({ ...note, yshift: 3, font: { ...note.font, size: 10 } }));
    Plotly.react(canvas, traces(spec, spec.sets[0]), layout, { ...CONFIG, responsive: false });
  }

  const places = data.plots.map((_, place) => place);
  document.querySelectorAll("select[data-choose]").forEach((select) =>
    select.addEventListener("change", () => choose(select)));
  document.querySelectorAll("input[data-filter]").forEach((box) =>
    box.addEventListener("change", () => places.forEach(draw)));

  // Print: everything open, every choice drawn, paper's width; and back again.
  let closed = [];
  window.addEventListener("beforeprint", () => {
    printing = true;
    closed = [...document.querySelectorAll("details:not([open]):not(.not-printed)")];
    closed.forEach((one) => { one.open = true; });
    places.forEach((place) => {
      const spec = data.plots[place];
      if (!spec) return;
      if (spec.sets.length > 1) drawPanels(place, PRINT_WIDTH);
      else drawPrinted(place);
    });
  });
  window.addEventListener("afterprint", () => {
    printing = false;
    closed.forEach((one) => { one.open = false; });
    places.forEach(draw);
  });

  // One plot at a time, so that the page stays awake while many are drawn.
  const queue = [...places];
  (function next() {
    if (!queue.length) { document.documentElement.dataset.drawn = "all"; return; }
    draw(queue.shift());
    setTimeout(next, 0);
  })();
})();
