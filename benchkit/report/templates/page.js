"use strict";
(() => {
  const data = JSON.parse(document.getElementById("report-data").textContent);
  const decoded = new Map();
  let printing = false;
  const NARROW = 720, PRINT_WIDTH = 680, PRINT_HEIGHT = 350, SCREEN_HEIGHT = 460, PANEL_HEIGHT = 250, PANELS_A_PAGE = 9, MOST_PANELS = 36;
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

  // All choices as small plots with one scale, for print and for comparing at a glance.
  function drawPanels(place, width) {
    const spec = data.plots[place];
    const home = document.querySelector(`[data-panels="${place}"]`);
    home.replaceChildren();
    const step = Math.max(1, Math.ceil(spec.sets.length / MOST_PANELS));
    const sets = spec.sets.filter((_, index) => index % step === 0);
    if (step > 1) {
      const note = document.createElement("p");
      note.className = "note";
      note.textContent = `Side by side: every ${step}th of ${spec.sets.length}; the others by the selector, and in the record.`;
      home.append(note);
    }
    for (let first = 0; first < sets.length; first += PANELS_A_PAGE) {
      const part = document.createElement("div");
      part.className = "plot";
      home.append(part);
      panelGroup(part, spec, sets.slice(first, first + PANELS_A_PAGE), width);
    }
  }

  function panelGroup(part, spec, sets, width) {
    const columns = Math.min(width < 560 ? 1 : 3, sets.length), rows = Math.ceil(sets.length / columns);
    const base = spec.layout;
    const layout = {
      ...structuredClone(base), width, height: rows * PANEL_HEIGHT + 168,
      margin: { l: 66, r: 14, t: 84, b: 70 },
      // Above the note that the plot is simulated, which stands above the panels.
      title: { ...base.title, yref: "container", y: 1, yanchor: "top", pad: { t: 10 } },
      showlegend: !(printing && spec.keyed),
      legend: { orientation: "h", x: 0, y: -52 / (rows * PANEL_HEIGHT), xanchor: "left", yanchor: "top", font: { size: 11 } },
    };
    layout.annotations = [...(base.annotations || []).map((note) => ({ ...note, yshift: 24 }))];
    // Each axis is named once for all panels: beside a small panel its name would not fit.
    const words = { xref: "paper", yref: "paper", showarrow: false, font: { size: 12 } };
    layout.annotations.push(
      { ...words, text: base.xaxis.title.text, x: 0.5, y: 0, xanchor: "center", yanchor: "top", yshift: -18 },
      { ...words, text: base.yaxis.title.text, x: 0, y: 0.5, textangle: -90, xanchor: "right", yanchor: "middle", xshift: -34 });
    const all = [], named = new Set();
    sets.forEach((set, index) => {
      const row = Math.floor(index / columns), column = index % columns, suffix = index ? String(index + 1) : "";
      const x = [(column + 0.06) / columns, (column + 0.98) / columns];
      const y = [1 - (row + 0.86) / rows, 1 - (row + 0.04) / rows];
      const left = column === 0;
      layout[`xaxis${suffix}`] = { ...structuredClone(base.xaxis), domain: x, anchor: `y${suffix}`, automargin: false, title: undefined, tickfont: { size: 10 } };
      layout[`yaxis${suffix}`] = { ...structuredClone(base.yaxis), domain: y, anchor: `x${suffix}`, automargin: false, showticklabels: left, title: undefined, tickfont: { size: 10 } };
      layout.annotations.push({ text: `<b>${set.name}</b>`, xref: "paper", yref: "paper", x: (x[0] + x[1]) / 2, y: y[1], xanchor: "center", yanchor: "bottom", showarrow: false, font: { size: 11 } });
      for (const trace of traces(spec, set)) {
        all.push({ ...trace, xaxis: `x${suffix}`, yaxis: `y${suffix}`, legendgroup: trace.name, showlegend: !named.has(trace.name), marker: { ...trace.marker, size: 4 }, line: { ...trace.line, width: 1.3 } });
        named.add(trace.name);
      }
    });
    Plotly.newPlot(part, all, layout, { ...CONFIG, responsive: false });
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
      if (spec.sets.length > 1) {
        drawPanels(place, PRINT_WIDTH);
      } else {
        // A legend beside the lines would leave them half of the paper's width.
        const layout = { ...layoutFor(spec, PRINT_WIDTH), width: PRINT_WIDTH };
        // Two to a page. What the key below tells needs no legend.
        layout.showlegend = !spec.keyed;
        layout.height = spec.keyed ? PRINT_HEIGHT : Math.max(PRINT_HEIGHT, layout.height - (SCREEN_HEIGHT - PRINT_HEIGHT));
        Plotly.react(document.querySelector(`[data-plot="${place}"]`), traces(spec, spec.sets[0]), layout, { ...CONFIG, responsive: false });
      }
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
