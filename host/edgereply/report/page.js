"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const root = document.documentElement;
  const systemDark = matchMedia("(prefers-color-scheme: dark)");
  const narrowPage = matchMedia("(max-width: 600px)");
  const drawings = new Map();
  let printing = false;

  // The library lies in the page compressed; unpacked it runs by the hash the page's policy names, or not at all.
  const unpackLibrary = async () => {
    const packed = atob(document.getElementById("library").textContent.trim());
    const bytes = Uint8Array.from(packed, (character) => character.charCodeAt(0));
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
    const script = document.createElement("script");
    script.textContent = await new Response(stream).text();
    document.head.append(script);
    if (!window.Plotly) throw new Error("the drawing library did not start");
  };

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

  // Brightness is the logarithm of a count; the count itself is what a reader is told.
  const brighten = (trace) => {
    trace.customdata = trace.z;
    trace.z = trace.z.map((row) => row.map((count) => (count > 0 ? Math.log10(count) : null)));
  };

  // Words of ticks that would run into each other: from the left, those with room stay.
  const thinTicks = (axis, width) => {
    if (!axis.tickvals && axis.type === "log") {
      const first = Math.ceil(axis.range[0]);
      const decades = Array.from({ length: Math.max(0, Math.floor(axis.range[1]) - first + 1) }, (_, n) => 10 ** (first + n));
      if (decades.length < 2) return;
      axis.tickvals = decades;
      axis.ticktext = decades.map((at) => at.toLocaleString("en", { maximumFractionDigits: 9 }));
    }
    if (!axis.tickvals) return;
    const along = (at) => (axis.type === "log" ? Math.log10(at) : at);
    let end = -Infinity;
    axis.ticktext = axis.ticktext.map((text, place) => {
      const at = (width * (along(axis.tickvals[place]) - axis.range[0])) / (axis.range[1] - axis.range[0]);
      const half = 3.8 * text.length + 2;
      if (at - half < end) return "";
      end = at + half;
      return text;
    });
  };

  const fitNarrow = (copy, width) => {
    let left = 50;
    for (const axis of axesOf(copy.layout, "y")) {
      const one = copy.layout[axis];
      if (!one.ticktext) continue;
      one.ticktext = one.ticktext.map((text) => (text.length > 12 ? `${text.slice(0, 11)}…` : text));
      left = Math.max(left, 8 + 7.2 * Math.max(...one.ticktext.map((text) => text.length)));
    }
    copy.layout.margin = { ...copy.layout.margin, l: left, r: 8 };
    Object.assign(copy.layout.title, { xref: "container", x: 0.02 });
    copy.layout.font = { ...copy.layout.font, size: 12 };
    copy.layout.title.font.size = 12;
    if (copy.layout.coloraxis) copy.layout.coloraxis.colorbar.thickness = 9;
    const room = Math.floor((width - left - 8 - (copy.layout.coloraxis ? 60 : 0)) / 7.5);
    const titles = copy.layout.annotations.filter((words) => words.name === "title");
    for (const title of titles) {
      title.font.size = 12;
      const beside = copy.layout.annotations.find((words) => words.name === "levels" && words.y === title.y);
      const most = room - (beside ? beside.text.length + 2 : 0);
      if (title.text.length > most) title.text = `${title.text.slice(0, Math.max(1, most - 1))}…`;
    }
    for (const words of copy.layout.annotations) words.font.size = 12;
    for (const axis of axesOf(copy.layout, "x")) thinTicks(copy.layout[axis], 7.5 * room);
  };

  const draw = (drawing) => {
    const { key, spec, types, ranges } = drawing;
    const copy = recolour(spec, isDark() ? data.dark : {});
    const hidden = hiddenRuns();
    const place = document.getElementById(key);
    for (const trace of copy.data) {
      if (trace.type === "heatmap") brighten(trace);
      else if (trace.meta && hidden.has(trace.meta.run)) trace.visible = false;
    }
    const narrow = narrowPage.matches;
    if (narrow) fitNarrow(copy, place.clientWidth);
    if (copy.layout.showlegend) growForKey(copy, narrow);
    for (const letter of ["x", "y"]) {
      for (const axis of axesOf(copy.layout, letter)) {
        const one = copy.layout[axis];
        if (types[letter] && one.type !== types[letter] && one.visible !== false) {
          one.type = types[letter];
          for (const name of ["range", "dtick", "tickvals", "ticktext", "tickangle"]) delete one[name];
        }
        if (ranges[axis]) {
          one.range = ranges[axis];
          // Within a decade the prepared ticks are too few.
          if (ranges[axis][1] - ranges[axis][0] < 1 && one.type === "log") delete one.tickvals;
        }
      }
    }
    // The library fits a drawing to its container, so the container carries the height.
    place.style.height = place.style.minHeight = `${copy.layout.height}px`;
    return Plotly.react(key, copy.data, copy.layout, {
      displaylogo: false,
      responsive: true,
      // The page's own buttons do the same and can be reached by keys.
      displayModeBar: false,
    });
  };

  // Under the figure a key takes a line a name; a narrow page wraps its labels no further.
  const growForKey = (copy, narrow) => {
    const named = new Set(copy.data.filter((t) => t.showlegend && t.visible !== false).map((t) => t.name));
    const longest = Math.max(0, ...[...named].map((name) => name.length));
    const columns = Math.max(1, narrow ? (longest < 14 ? 2 : 1) : Math.min(4, Math.floor(120 / (longest + 6))));
    const extra = 14 + 22 * Math.ceil(named.size / columns);
    copy.layout.height += extra;
    copy.layout.margin = { ...copy.layout.margin, b: copy.layout.margin.b + extra };
  };

  const redraw = () => Promise.all([...drawings.values()].map(draw));

  const move = (drawing, action) => {
    const layout = document.getElementById(drawing.key)._fullLayout;
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

  const start = () => {
    for (const { key, spec } of data.figures) {
      drawings.set(key, { key, spec, types: {}, ranges: {} });
    }
    for (const part of document.querySelectorAll("[data-needs-script]")) part.hidden = false;
    for (const drawing of drawings.values()) wireControls(drawing);
    document.getElementById("shown")?.addEventListener("change", redraw);
    systemDark.addEventListener("change", redraw);
    narrowPage.addEventListener("change", redraw);
    addEventListener("beforeprint", () => { printing = true; redraw(); });
    addEventListener("afterprint", () => { printing = false; redraw(); });
    return redraw();
  };

  document.getElementById("theme").addEventListener("change", (event) => {
    if (event.target.value) root.dataset.theme = event.target.value;
    else delete root.dataset.theme;
    if (drawings.size) redraw();
  });
  document.querySelector(".settings").hidden = false;
  unpackLibrary().then(start).then(
    () => { root.dataset.drawn = "yes"; },
    () => {
      root.dataset.drawn = "no";
      document.getElementById("undrawn").hidden = false;
    },
  );
})();
