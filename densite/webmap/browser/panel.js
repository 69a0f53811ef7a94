// The panel: layer switch and legend in one, so that every row explains what it switches.
(function () {
  "use strict";
  const { element, symbol, swatch, sample, canvas, drawing } = densite.parts;

  const narrow = () => window.matchMedia("(max-width: 720px)").matches;

  function picture(row, data) {
    if (row.kind === "dens") return symbol(data.symbols[row.key], data.outline, 22);
    return row.drawn ? sample(row.drawn) : null;
  }

  // A long definition would push the rest of the legend out of sight.
  function noteOf(text) {
    if (text.length < 150) return element("p", { class: "note" }, text);
    return element("details", { class: "note" }, element("summary", {}, "How this is defined"), text);
  }

  function legend(row) {
    const entries = (row.swatches || []).map((one) => element("li", {}, swatch(one.colour), element("span", {}, one.text)));
    const note = row.note ? noteOf(row.note) : null;
    if (!entries.length && !note) return null;
    return element("div", { class: "legend" }, entries.length ? element("ul", {}, ...entries) : null, note);
  }

  function rowOf(row, section, place, data, change) {
    const many = section.choice === "many";
    const input = element("input", {
      type: many ? "checkbox" : "radio", name: many ? null : `choice-${place}`, checked: row.on,
      "data-kind": row.kind, "data-key": row.key,
    });
    const count = row.count === undefined ? null : element("span", { class: "number" }, String(row.count));
    const explained = legend(row);
    input.addEventListener("change", change);
    const box = element("div", { class: "row" },
      element("label", {}, input, picture(row, data), element("span", { class: "name" }, row.title), count), explained);
    const follow = () => {
      if (explained) explained.hidden = !input.checked;
    };
    return { row, input, box, follow };
  }

  function clusterRow(data) {
    const kinds = data.symbols.slice(0, 2);
    const disc = canvas([26, 26], "0 0 40 40",
      drawing("circle", { cx: 20, cy: 20, r: 18.2, fill: "#fff", stroke: data.outline, "stroke-width": 1.6 }),
      drawing("circle", { cx: 20, cy: 20, r: 15, fill: "none", stroke: kinds[0].colour, "stroke-width": 5 }),
      drawing("path", { d: "M20 5 A15 15 0 0 1 20 35", fill: "none", stroke: kinds[1].colour, "stroke-width": 5 }),
      drawing("text", { x: 20, y: 24.5, "text-anchor": "middle", class: "count" }, "7"));
    return element("p", { class: "cluster-note" }, disc,
      element("span", {}, "Several dens close together: their number, and their types around it. Select it to look closer."));
  }

  function strength(map) {
    const slider = element("input", { type: "range", min: "20", max: "100", step: "5", value: "85" });
    const apply = () => map.getContainer().style.setProperty("--strength", slider.value / 100);
    slider.addEventListener("input", apply);
    apply();
    return element("label", { class: "strength" }, element("span", {}, "Strength"), slider);
  }

  function finder(data, dens, switchOn) {
    const list = element("datalist", { id: "den-labels" }, ...data.dens.labels.map((label) => element("option", { value: label })));
    const field = element("input", { type: "search", list: "den-labels", autocomplete: "off", placeholder: "Label" });
    const answer = element("p", { class: "note", role: "status" });
    const form = element("form", { class: "finder" },
      element("label", {}, element("span", {}, "Find a den"), field), element("button", { type: "submit" }, "Show"), list, answer);
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      const wanted = field.value.trim().toLowerCase();
      const place = data.dens.labels.findIndex((label) => label.trim().toLowerCase() === wanted);
      answer.textContent = place < 0 ? "No den on this map has that label." : "";
      if (place < 0) return;
      switchOn(data.dens.types[place]);
      // On a phone the open panel leaves no room for the den's record.
      if (narrow()) form.closest("details").open = false;
      setTimeout(() => dens.open(dens.markers[place]), 60);
    });
    return form;
  }

  densite.panel = function (map, data, layers, dens) {
    const rows = [];
    const show = (entry) => {
      const { row, input } = entry;
      entry.follow();
      if (row.kind === "dens" && entry.shown !== input.checked) dens.show(row.key, input.checked);
      const layer = layers[row.key];
      if (layer && input.checked !== map.hasLayer(layer)) map[input.checked ? "addLayer" : "removeLayer"](layer);
      entry.shown = input.checked;
    };
    // Seen from afar, lines of full width would run together.
    const thin = () => {
      const zoom = map.getZoom(), share = zoom < 12 ? 0.5 : zoom < 14 ? 0.75 : 1;
      for (const { row } of rows) {
        if (row.drawn && row.drawn.kind !== "dot" && !row.drawn.dash) layers[row.key].setStyle({ weight: row.drawn.width * share });
      }
    };
    const showAll = () => rows.forEach(show);
    const fieldset = (section, place) => {
      const own = section.rows.map((row) => rowOf(row, section, place, data, showAll));
      // All dens are already on the map; switching them once more would only cost time.
      own.forEach((entry) => { entry.shown = entry.row.kind === "dens"; });
      rows.push(...own);
      const extra = own[0].row.kind === "dens" ? clusterRow(data) : section.choice === "one" ? strength(map) : null;
      return element("fieldset", {}, element("legend", {}, section.heading), ...own.map((entry) => entry.box), extra);
    };
    const switchOn = (type) => {
      const entry = rows.find(({ row }) => row.kind === "dens" && row.key === type);
      if (entry.input.checked) return;
      entry.input.checked = true;
      show(entry);
    };
    const whole = element("button", { type: "button", class: "whole" }, "Show the whole study");
    whole.addEventListener("click", () => map.fitBounds(data.view));
    const box = element("details", { open: !narrow() },
      element("summary", {}, "Layers and legend"),
      element("div", { class: "inside" },
        data.dens.labels.length ? finder(data, dens, switchOn) : null, whole, ...data.sections.map(fieldset),
        ...data.notes.map((note) => element("p", { class: "note" }, note))));
    document.getElementById("panel").append(box);
    thin();
    map.on("zoomend", thin);
    showAll();
    return box;
  };
})();
