(async () => {
  "use strict";
  const LITRES_PER_GALLON = 3.785411784;
  const [OUT_VOLUME, OUT_FLOW, OUT_TIME, TOLD, NO_LABEL] = [1, 2, 4, 8, 255];
  const page = document.documentElement;
  const byId = (id) => document.getElementById(id);
  const read = (id) => JSON.parse(byId(id).textContent);
  Bokeh.set_log_level("warn");

  const [plots, views] = [new Map(), new Map()];
  for (const item of read("items")) {
    const drawn = await Bokeh.embed.embed_item(item);
    plots.set(item.target_id, Bokeh.documents.at(-1).roots()[0]);
    views.set(item.target_id, drawn.get(plots.get(item.target_id)));
  }
  const parts = (type) => [...plots.values()].flatMap((plot) => [...plot.references()].filter((p) => p.type === type));

  // Volumes and flows are held in litres; columns that carry one end in _l or _lpm.
  const litres = new Map(parts("ColumnDataSource").map((source) => [source, { ...source.data }]));
  const worded = parts("HoverTool").filter((tool) => tool.tooltips).map((tool) => [tool, tool.tooltips]);
  const axes = [...plots.values()].flatMap((plot) => plot.left).filter((axis) => axis.axis_label);
  const classes = [...plots.values()].flatMap((plot) => plot.right).filter((part) => part.type === "LinearAxis")
    .map((axis) => [axis, [...axis.major_label_overrides.entries()]]);
  const inUnit = (text) => (page.dataset.units === "us" ? text.replace(/\bL\b/g, "gal") : text.replace(/\bgal\b/g, "L"));
  const setUnits = (units) => {
    page.dataset.units = units;
    const factor = units === "us" ? 1 / LITRES_PER_GALLON : 1;
    for (const [source, columns] of litres) {
      const amounts = Object.entries(columns).filter(([name]) => name.endsWith("_l") || name.endsWith("_lpm"));
      if (amounts.length === 0) continue;
      const converted = amounts.map(([name, values]) => [name, Array.from(values, (v) => v * factor)]);
      source.data = { ...columns, ...Object.fromEntries(converted) };
    }
    for (const [axis, named] of classes) {
      const there = named.map(([nominal, name]) => [nominal * factor, name]);
      axis.major_label_overrides = new Map(there);
      axis.ticker.ticks = there.map(([nominal]) => nominal);
    }
    for (const [tool, lines] of worded) tool.tooltips = lines.map(([name, text]) => [name, inUnit(text)]);
    for (const axis of axes) axis.axis_label = inUnit(axis.axis_label);
    document.dispatchEvent(new Event("units"));
  };
  for (const input of document.querySelectorAll("input[name=units]")) {
    input.addEventListener("change", () => setUnits(input.value));
  }
  if (page.dataset.units === "us") setUnits("us");

  // Parts of a picture differ in which properties they have.
  const put = (part, wanted) => {
    part.setv(Object.fromEntries(Object.entries(wanted).filter(([name]) => name in part.properties)));
  };
  const PAPER = ["#000", "#bbb"];
  const screen = () => {
    const style = getComputedStyle(page);
    return ["--ink", "--line"].map((name) => style.getPropertyValue(name).trim());
  };
  const dye = ([ink, line]) => {
    for (const plot of plots.values()) {
      put(plot, { background_fill_color: null, border_fill_color: null, outline_line_color: line });
      for (const part of plot.references()) {
        if (part.type === "Grid") put(part, { grid_line_color: line });
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
  dye(screen());
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => dye(screen()));

  // What is on the screen is drawn too late for paper: a copy in paper's colours takes the width that is there.
  const copies = () => document.querySelectorAll(".printed");
  addEventListener("beforeprint", () => {
    dye(PAPER);
    copies().forEach((copy) => copy.remove());
    for (const [name, view] of views) {
      const copy = view.export("png", true).canvas;
      copy.className = "printed";
      byId(name).append(copy);
    }
  });
  addEventListener("afterprint", () => {
    copies().forEach((copy) => copy.remove());
    dye(screen());
  });

  // A finger that meets a picture scrolls the page; a mouse that is dragged over it zooms.
  if (matchMedia("(pointer: fine)").matches) for (const tool of parts("BoxZoomTool")) tool.active = true;

  const reasons = read("reasons");
  const three = new Intl.NumberFormat("en-US", { maximumSignificantDigits: 3 });
  const figure = (value) => three.format(page.dataset.units === "us" ? value / LITRES_PER_GALLON : value);
  const volume = (value) => `${figure(value)} ${inUnit("L")}`;
  const flow = (value) => `${figure(value)} ${inUnit("L")}/min`;
  // A use's volume has as many digits after the point as the meter's pulse gives it.
  const metered = (value) => {
    const factor = page.dataset.units === "us" ? 1 / LITRES_PER_GALLON : 1;
    const digits = Math.min(Math.max(Math.ceil(-Math.log10(reasons.pulse_l * factor)), 0), 6);
    return `${(value * factor).toLocaleString("en-US", { maximumFractionDigits: digits })} ${inUnit("L")}`;
  };
  const duration = (s) => (s < 600 ? `${three.format(s)} s` : `${three.format(s / 60)} min`);
  const between = ([low, high], say) => {
    const [from, to] = [say(low), say(high)];
    const unit = to.slice(to.indexOf(" "));
    return `${from.endsWith(unit) ? from.slice(0, -unit.length) : from} to ${to}`;
  };
  const clock = new Intl.DateTimeFormat("en-GB", { dateStyle: "medium", timeStyle: "medium", timeZone: "UTC" });

  const why = (use) => {
    const next = use.next === NO_LABEL ? null : reasons.labels[use.next].words;
    if (use.flags & TOLD) return "it was written down";
    if (use.label === reasons.other && next && use.next_sure > use.sure) {
      return `no label is likely enough; nearest is ${next}, ${use.next_sure} %`;
    }
    if (next === null) return `${use.sure} % sure`;
    return `${use.sure} % sure; ${use.next_sure ? `next is ${next}, ${use.next_sure} %` : "nothing else comes near"}`;
  };
  const usual = (use, label) => {
    const checks = [
      [OUT_VOLUME, "volume", between(label.volume_l, volume)],
      [OUT_FLOW, "flow", between(label.flow_lpm, flow)],
      [OUT_TIME, "length", between(label.duration_s, duration)],
    ];
    const outside = checks.filter(([bit]) => use.flags & bit).map(([, name, range]) => `${name} (usual: ${range})`);
    return outside.length ? `unusual for it: ${outside.join(", ")}` : "volume, flow and length are usual for it";
  };
  const like = (fixture) => {
    if (fixture.uses === 1) return "its only use";
    const around = between([fixture.low_l, fixture.high_l], volume);
    return `one of ${fixture.uses} uses, mostly ${volume(fixture.typical_volume_l)} (90 % interval ${around}) at ${flow(fixture.typical_lpm)}`;
  };
  const uses = litres.get(parts("ColumnDataSource").find((source) => source.name === "uses"));
  // What is said of one use: under the pointer, and for those who have none.
  const told = (k) => {
    const use = Object.fromEntries(Object.entries(uses).map(([name, column]) => [name, column[k]]));
    const [label, fixture] = [reasons.labels[use.label], reasons.fixtures[use.who]];
    return [
      [fixture.fixture, label.words],
      ["start", `${clock.format(use.left)}, for ${duration((use.right - use.left) / 1000)}`],
      ["volume", `${metered(use.volume_l)}, known to about ${volume(reasons.pulse_l)}`],
      ["flow", `${flow(use.mean_lpm)} in the mean, ${flow(use.peak_lpm)} at most`],
      ["label", why(use)],
      ["range", usual(use, label)],
      ["fixture", like(fixture)],
    ];
  };

  const trace = plots.get("trace");
  if (trace) {
    const range = trace.x_range;
    const [first, last] = [range.start, range.end];
    const show = (start, end) => {
      const width = Math.min(Math.max(end - start, 10e3), last - first);
      const from = Math.min(Math.max(start, first), last - width);
      range.setv({ start: from, end: from + width });
    };
    const say = () => { byId("shown").textContent = `${clock.format(range.start)} to ${clock.format(range.end)}`; };
    // The flow axis follows what is in view.
    const drawn = [...trace.references()].filter((part) => part.type === "ColumnDataSource" && part.data.high_lpm);
    const fit = () => {
      let top = 0;
      for (const { data } of drawn) {
        data.high_lpm.forEach((high, k) => {
          if (high > top && data.right[k] > range.start && data.left[k] < range.end) top = high;
        });
      }
      trace.y_range.setv({ start: 0, end: 1.05 * top || 1 });
    };
    range.change.connect(() => {
      say();
      requestAnimationFrame(fit);
    });
    document.addEventListener("units", fit);
    say();
    fit();
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

    let here = -1;
    const tell = () => {
      if (here < 0) return;
      const [title, ...lines] = told(here);
      byId("use").textContent = `${title.join(", ")}. ${lines.map(([name, text]) => `${name}: ${text}`).join(". ")}.`;
    };
    const visit = (k) => {
      here = Math.min(Math.max(k, 0), uses.left.length - 1);
      if (here < 0) return;
      const [a, b] = [uses.left[here], uses.right[here]];
      show(a - 2 * (b - a), b + 2 * (b - a));
      tell();
    };
    document.addEventListener("units", tell);
    for (const button of document.querySelectorAll("[data-step]")) {
      button.addEventListener("click", () => {
        // The first step goes to the use nearest to the middle of what is in view.
        const middle = (range.start + range.end) / 2;
        const start = uses.left.findIndex((left) => left >= middle);
        visit(here < 0 ? (start < 0 ? uses.left.length - 1 : start) : here + Number(button.dataset.step));
      });
    }
    for (const button of document.querySelectorAll("[data-event]")) {
      button.addEventListener("click", () => {
        visit(Number(button.dataset.event));
        byId("h-trace").scrollIntoView();
      });
    }
    const hover = parts("HoverTool").find((tool) => !tool.tooltips);
    hover.tooltips = (_, { index }) => {
      const box = document.createElement("div");
      box.className = "told";
      box.style.cssText = "max-width: 19rem; color: #1d2327; background: #fff; font: 13px/1.4 Arial, sans-serif;";
      told(index).forEach(([name, text], row) => {
        const line = box.appendChild(document.createElement("div"));
        line.appendChild(document.createElement("b")).textContent = row ? `${name}: ` : `${name}, `;
        line.append(text);
      });
      return box;
    };
  }

  // Large tables lie packed in the page.
  for (const link of document.querySelectorAll("a[data-packed]")) {
    link.addEventListener("click", async (event) => {
      if (link.href.startsWith("blob:")) return;
      event.preventDefault();
      const packed = Uint8Array.from(atob(link.href.split(",")[1]), (c) => c.charCodeAt(0));
      const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"));
      link.href = URL.createObjectURL(await new Response(stream).blob());
      link.click();
    });
  }
  for (const plot of plots.values()) plot.hold_render = false;
  requestAnimationFrame(() => setTimeout(() => { page.dataset.ready = "yes"; }));
})();
