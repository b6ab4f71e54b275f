(async () => {
  "use strict";
  const LITRES_PER_GALLON = 3.785411784;
  const read = (id) => JSON.parse(document.getElementById(id).textContent);
  const spans = read("spans");
  const plots = new Map();
  for (const item of read("items")) {
    await Bokeh.embed.embed_item(item);
    plots.set(item.target_id, Bokeh.documents.at(-1).roots()[0]);
  }

  // Volumes and flows are held in litres; columns that carry one end in _l or _lpm.
  let shown = "si";
  const setUnits = (units) => {
    document.documentElement.dataset.units = units;
    if (units === shown) return;
    const factor = units === "us" ? 1 / LITRES_PER_GALLON : LITRES_PER_GALLON;
    for (const plot of plots.values()) {
      const sources = [...plot.references()].filter((part) => part.type === "ColumnDataSource");
      for (const source of sources) {
        const data = {};
        for (const [name, values] of Object.entries(source.data)) {
          const amount = name.endsWith("_l") || name.endsWith("_lpm");
          data[name] = amount ? Array.from(values, (v) => v * factor) : values;
        }
        source.data = data;
      }
    }
    shown = units;
  };
  for (const input of document.querySelectorAll("input[name=units]")) {
    input.addEventListener("change", () => setUnits(input.value));
  }
  setUnits(document.documentElement.dataset.units);

  // Parts of a picture differ in which properties they have.
  const put = (part, wanted) => {
    part.setv(Object.fromEntries(Object.entries(wanted).filter(([name]) => name in part.properties)));
  };
  const dye = () => {
    const style = getComputedStyle(document.documentElement);
    const [ink, line] = ["--ink", "--line"].map((name) => style.getPropertyValue(name).trim());
    for (const plot of plots.values()) {
      put(plot, { background_fill_color: null, border_fill_color: null, outline_line_color: line });
      for (const part of plot.references()) {
        if (part.type === "Legend") put(part, { label_text_color: ink });
        else if (part.type === "Grid") put(part, { grid_line_color: line });
        else if (part.type.endsWith("Axis")) {
          put(part, {
            axis_label_text_color: ink, major_label_text_color: ink, axis_line_color: ink,
            major_tick_line_color: ink, minor_tick_line_color: null,
            axis_label_text_font_size: "13px", major_label_text_font_size: "13px", axis_label_text_font_style: "normal",
          });
        }
      }
    }
  };
  dye();
  for (const query of ["(prefers-color-scheme: dark)", "print"]) matchMedia(query).addEventListener("change", dye);

  const trace = plots.get("trace");
  if (trace) {
    const range = trace.x_range;
    const [first, last] = [range.start, range.end];
    const words = new Intl.DateTimeFormat("en-GB", { dateStyle: "medium", timeStyle: "medium", timeZone: "UTC" });
    const show = (start, end) => {
      const width = Math.min(Math.max(end - start, 10e3), last - first);
      const from = Math.min(Math.max(start, first), last - width);
      range.setv({ start: from, end: from + width });
      document.getElementById("shown").textContent = `${words.format(from)} to ${words.format(from + width)}`;
    };
    const moves = {
      whole: () => show(first, last),
      in: (a, b) => show(a + (b - a) / 4, b - (b - a) / 4),
      out: (a, b) => show(a - (b - a) / 2, b + (b - a) / 2),
      back: (a, b) => show(a - (b - a) / 2, b - (b - a) / 2),
      on: (a, b) => show(a + (b - a) / 2, b + (b - a) / 2),
    };
    for (const button of document.querySelectorAll("[data-move]")) {
      button.addEventListener("click", () => moves[button.dataset.move](range.start, range.end));
    }
    for (const button of document.querySelectorAll("[data-event]")) {
      button.addEventListener("click", () => {
        const [a, b] = spans[button.dataset.event];
        show(a - (b - a), b + (b - a));
        document.getElementById("h-trace").scrollIntoView();
      });
    }
  }
  document.documentElement.dataset.ready = "yes";
})();
