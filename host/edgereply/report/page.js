"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const root = document.documentElement;
  const systemDark = matchMedia("(prefers-color-scheme: dark)");
  const narrowPage = matchMedia("(max-width: 600px)");
  const drawings = new Map();
  let printing = false;

  const isDark = () =>
    !printing && (root.dataset.theme ? root.dataset.theme === "dark" : systemDark.matches);

  // A fresh copy of a figure with every colour of the light palette replaced.
  const recolour = (part, table) => {
    if (typeof part === "string") return Object.hasOwn(table, part) ? table[part] : part;
    if (Array.isArray(part)) return part.map((inner) => recolour(inner, table));
    if (part === null || typeof part !== "object") return part;
    return Object.fromEntries(Object.entries(part).map(([key, inner]) => [key, recolour(inner, table)]));
  };

  const hiddenRuns = () =>
    new Set([...document.querySelectorAll("#shown input:not(:checked)")].map((box) => Number(box.value)));

  const axesOf = (layout, letter) => Object.keys(layout).filter((key) => new RegExp(`^${letter}axis\\d*$`).test(key));

  const draw = (drawing) => {
    const { key, spec, types, ranges, whole } = drawing;
    const copy = recolour(spec, isDark() ? data.dark : {});
    const hidden = hiddenRuns();
    for (const trace of copy.data) {
      if (trace.meta && hidden.has(trace.meta.run) && trace.type === "scatter") trace.visible = false;
    }
    if (key === "segments") dropRows(copy, hidden);
    const narrow = narrowPage.matches;
    if (narrow) {
      copy.layout.margin = { ...copy.layout.margin, l: 58, r: 10 };
      copy.layout.font = { ...copy.layout.font, size: 11 };
      copy.layout.title.font.size = 11;
      // Titles of panels run into the scale of counts: letter and grade are enough, the names stand above.
      for (const title of copy.layout.annotations ?? []) {
        if (title.yref !== "paper" || title.showarrow) continue;
        Object.assign(title, { x: 0, xanchor: "left", font: { size: 11 }, text: title.text.replace(/\): .*$/s, ")") });
      }
      if (copy.layout.coloraxis) copy.layout.coloraxis.colorbar.thickness = 9;
    }
    if (copy.layout.showlegend && key !== "segments") growForKey(copy, narrow);
    for (const letter of ["x", "y"]) {
      for (const axis of axesOf(copy.layout, letter)) {
        if (types[letter] && copy.layout[axis].type !== types[letter]) {
          copy.layout[axis].type = types[letter];
          delete copy.layout[axis].range;
          delete copy.layout[axis].dtick;
          delete copy.layout[axis].tickvals;
          delete copy.layout[axis].ticktext;
          delete copy.layout[axis].minor;
        }
        if (letter === "x" && whole && !copy.layout[axis].fixedrange) delete copy.layout[axis].range;
        if (ranges[axis]) {
          copy.layout[axis].range = ranges[axis];
          // Within a decade the prepared ticks are too few.
          if (ranges[axis][1] - ranges[axis][0] < 1 && copy.layout[axis].type === "log") delete copy.layout[axis].tickvals;
        }
      }
    }
    // The library fits a drawing to its container, so the container carries the height.
    const place = document.getElementById(key);
    place.style.height = place.style.minHeight = `${copy.layout.height}px`;
    return Plotly.react(key, copy.data, copy.layout, {
      displaylogo: false,
      responsive: true,
      displayModeBar: narrow ? false : "hover",
      modeBarButtons: [["toImage", "zoom2d", "pan2d", "resetScale2d"]],
    });
  };

  // Rows of runs that are not shown go, with their marks.
  const dropRows = (copy, hidden) => {
    const kept = new Set();
    for (const trace of copy.data) {
      if (!trace.meta?.runs) continue;
      const shown = trace.meta.runs.map((run) => !hidden.has(run));
      const pick = (values) => values.filter((_, place) => shown[place]);
      for (const part of ["x", "y", "customdata"]) trace[part] = pick(trace[part]);
      trace.marker.color = trace.marker.line.color = pick(trace.marker.color);
      trace.y.forEach((label) => kept.add(label));
    }
    const axis = copy.layout.yaxis;
    const rows = axis.categoryarray.filter((label) => kept.has(label));
    copy.layout.height -= 40 * (axis.categoryarray.length - rows.length);
    axis.categoryarray = rows;
  };

  // Under the figure a key takes a line a run; a narrow page wraps its labels no further.
  const growForKey = (copy, narrow) => {
    const named = copy.data.filter((trace) => trace.showlegend !== false && trace.visible !== false);
    const runs = new Set(named.map((trace) => trace.meta?.run)).size;
    const extra = 14 + 22 * (narrow ? runs : Math.ceil(runs / 2));
    copy.layout.height += extra;
    copy.layout.margin = { ...copy.layout.margin, b: copy.layout.margin.b + extra };
  };

  const redraw = () => Promise.all([...drawings.values()].map(draw));

  const move = (drawing, action) => {
    const layout = document.getElementById(drawing.key)._fullLayout;
    if (action === "all") drawing.whole = true;
    for (const axis of axesOf(layout, "x")) {
      if (layout[axis].fixedrange) continue;
      if (action === "all") {
        delete drawing.ranges[axis];
        continue;
      }
      const [low, high] = layout[axis].range.map(Number);
      const width = high - low;
      const cut = { in: [0.15, -0.15], out: [-0.2, 0.2], left: [-0.2, -0.2], right: [0.2, 0.2] }[action];
      drawing.ranges[axis] = [low + cut[0] * width, high + cut[1] * width];
    }
    return draw(drawing);
  };

  const wireControls = (drawing) => {
    const box = document.querySelector(`.controls[data-for="${drawing.key}"]`);
    const layout = drawing.spec.layout;
    for (const button of box.querySelectorAll("[data-axis]")) {
      const letter = button.dataset.axis;
      const isLog = () => (drawing.types[letter] ?? layout[`${letter}axis`].type) === "log";
      const show = () => button.setAttribute("aria-pressed", String(isLog()));
      show();
      button.addEventListener("click", () => {
        drawing.types[letter] = isLog() ? "linear" : "log";
        if (letter === "x") drawing.ranges = {};
        show();
        draw(drawing);
      });
    }
    for (const button of box.querySelectorAll("[data-zoom]")) {
      button.addEventListener("click", () => move(drawing, button.dataset.zoom));
    }
    const keys = { ArrowLeft: "left", ArrowRight: "right", "+": "in", "=": "in", "-": "out", 0: "all" };
    const place = document.getElementById(drawing.key);
    place.tabIndex = 0;
    place.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey || !Object.hasOwn(keys, event.key)) return;
      event.preventDefault();
      move(drawing, keys[event.key]);
    });
  };

  for (const { key, spec } of data.figures) {
    drawings.set(key, { key, spec, types: {}, ranges: {}, whole: false });
  }
  for (const part of document.querySelectorAll("[data-needs-script]")) part.hidden = false;
  for (const drawing of drawings.values()) wireControls(drawing);
  document.getElementById("theme").addEventListener("change", (event) => {
    if (event.target.value) root.dataset.theme = event.target.value;
    else delete root.dataset.theme;
    redraw();
  });
  document.getElementById("shown")?.addEventListener("change", redraw);
  systemDark.addEventListener("change", redraw);
  narrowPage.addEventListener("change", redraw);
  addEventListener("beforeprint", () => { printing = true; redraw(); });
  addEventListener("afterprint", () => { printing = false; redraw(); });
  redraw().then(() => { root.dataset.drawn = "yes"; });
})();
