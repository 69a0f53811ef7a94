// Open questions by day and crew, each tied to its den on the map. Text only enters the page as text nodes.
(function () {
  "use strict";
  const data = JSON.parse(document.getElementById("map-data").textContent);
  const kindWords = Object.fromEntries(data.kinds.map(([kind, words]) => [kind, words]));
  const store = `densite-questions-${data.study}`;
  const ticked = readTicks();
  const hidden = new Set();
  const items = [];
  const atDen = new Map();
  let openOnly = false;
  let chart = null;
  let keeps = true;

  function made(tag, attributes, ...children) {
    const node = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes || {})) {
      if (value === true) node.setAttribute(name, "");
      else if (value !== false && value !== null) node.setAttribute(name, value);
    }
    node.append(...children.filter((child) => child !== null && child !== undefined && child !== ""));
    return node;
  }

  // Some browsers keep nothing for a page opened from a file: the ticks then last as long as the page.
  function readTicks() {
    try { return new Set(JSON.parse(localStorage.getItem(store) || "[]")); } catch { return new Set(); }
  }

  function writeTicks() {
    try { localStorage.setItem(store, JSON.stringify([...ticked])); } catch { keeps = false; }
  }

  function tools() {
    const kinds = data.kinds.map(([kind, words, count]) => {
      const box = made("input", { type: "checkbox", checked: true, "data-kind": kind });
      box.addEventListener("change", () => { hidden[box.checked ? "delete" : "add"](kind); sift(); });
      return made("label", { class: "kind" }, box, made("span", {}, words), made("span", { class: "number" }, String(count)));
    });
    const open = made("input", { type: "checkbox", id: "open-only" });
    open.addEventListener("change", () => { openOnly = open.checked; sift(); });
    const paper = made("button", { type: "button" }, "Print the list");
    paper.addEventListener("click", () => window.print());
    const every = [["All kinds", true], ["No kind", false]].map(([words, on]) => {
      const button = made("button", { type: "button" }, words);
      button.addEventListener("click", () => {
        document.querySelectorAll("[data-kind]").forEach((box) => { box.checked = on; });
        hidden.clear();
        if (!on) data.kinds.forEach(([kind]) => hidden.add(kind));
        sift();
      });
      return button;
    });
    const wide = window.matchMedia("(min-width: 761px)").matches;
    const said = data.unsaid.length
      ? made("details", {}, made("summary", {}, `Not looked at (${data.unsaid.length})`),
        made("ul", {}, ...data.unsaid.map((text) => made("li", {}, text)))) : null;
    document.getElementById("tools").append(
      made("details", { open: wide }, made("summary", {}, "Kinds of question"),
        made("fieldset", { class: "kinds" }, made("legend", { class: "unseen" }, "Show these kinds"), ...kinds),
        made("div", { class: "row" }, ...every)),
      ...(said ? [said] : []),
      made("div", { class: "row" }, made("label", { class: "kind" }, open, made("span", {}, "Hide what is done")), paper));
  }

  function question(asked) {
    const place = data.dens[asked.den];
    const label = place ? place[0] : "";
    const number = items.length + 1;
    const box = made("input", { type: "checkbox", checked: ticked.has(asked.id),
      "aria-label": `Done: question ${number}${label ? `, ${label}` : ""}` });
    const where = place && chart ? made("button", { type: "button", class: "where", "aria-label": `${label}, show on the map` }, label)
      : label ? made("strong", {}, label) : null;
    const node = made("li", { class: `question ${asked.level}`, tabindex: "-1", id: `q${number}` },
      made("label", { class: "tick" }, box, made("span", { class: "number", "aria-hidden": "true" }, String(number))),
      made("div", { class: "said" },
        made("p", { class: "about" }, where, made("span", { class: "sort" }, kindWords[asked.kind])),
        made("p", {}, asked.text), asked.hint ? made("p", { class: "hint" }, asked.hint) : null,
        asked.from.trim() ? made("p", { class: "from" }, asked.from) : null));
    const item = { asked, node, number, box, where };
    box.addEventListener("change", () => {
      ticked[box.checked ? "add" : "delete"](asked.id);
      writeTicks();
      sift();
    });
    if (where && where.tagName === "BUTTON") where.addEventListener("click", () => show(item));
    items.push(item);
    if (place) {
      if (!atDen.has(asked.den)) atDen.set(asked.den, []);
      atDen.get(asked.den).push(item);
    }
    return node;
  }

  function list() {
    const parts = data.groups.map((group) => made("section", { class: "group" },
      made("h2", {}, made("span", {}, group.day || "No day"), made("span", { class: "who" }, group.who)),
      made("ul", {}, ...group.questions.map(question))));
    document.getElementById("questions").append(...(parts.length ? parts : [made("p", { class: "none" }, "There are no open questions.")]));
  }

  function sift() {
    let seen = 0;
    for (const item of items) {
      item.node.classList.toggle("done", item.box.checked);
      item.node.hidden = hidden.has(item.asked.kind) || (openOnly && item.box.checked);
      seen += item.node.hidden ? 0 : 1;
    }
    document.querySelectorAll(".group").forEach((group) => { group.hidden = !group.querySelector(".question:not([hidden])"); });
    const done = items.filter((item) => item.box.checked).length;
    document.getElementById("count").textContent = `${done} of ${items.length} done, ${seen} shown` +
      (keeps ? "" : ". This browser keeps no ticks: they are lost when the page is closed");
    paint();
  }

  // A disc for each den: filled while a shown question is open, hollow when all are done, absent when none is shown.
  function paint() {
    if (!chart) return;
    for (const [den, own] of atDen) {
      const shown = own.filter((item) => !item.node.hidden), left = shown.filter((item) => !item.box.checked);
      const point = chart.points[den];
      if (!shown.length) { point.remove(); continue; }
      point.addTo(chart.map);
      const far = chart.map.getZoom() < chart.near;
      point.setStyle({ fillColor: left.length ? "#b3471d" : "#ffffff", radius: (left.length > 1 ? 9 : 7) - (far ? 3 : 0) });
    }
  }

  function draw() {
    if (!data.view) {
      document.getElementById("place").remove();
      return;
    }
    const map = L.map("map", { preferCanvas: true, zoomSnap: 0.5, attributionControl: false, maxZoom: 18, zoomControl: false });
    L.control.zoom({ position: "bottomright" }).addTo(map);
    L.control.scale({ imperial: false, position: "bottomleft" }).addTo(map);
    map.fitBounds(data.view, { animate: false });
    map.setMinZoom(Math.max(0, map.getZoom() - 2));
    if (data.relief) L.imageOverlay(data.relief.picture, data.relief.corners, { alt: "Shaded relief", opacity: 0.75 }).addTo(map);
    for (const line of data.lines) {
      L.geoJSON({ type: "Feature", properties: {}, geometry: line.geometry }, { interactive: false,
        style: { color: line.colour, weight: line.width, opacity: line.dash ? 1 : 0.5, dashArray: line.dash || null, fill: false } }).addTo(map);
    }
    const points = data.dens.map(([label, latitude, longitude], den) => {
      const point = L.circleMarker([latitude, longitude], { radius: 7, color: "#1d2a33", weight: 1.6, fillOpacity: 0.9 });
      return point.bindTooltip(() => made("span", {}, label))
        .bindPopup(() => popup(den), { maxWidth: 260, minWidth: 170, autoPanPadding: [8, 8] });
    });
    const line = L.polyline([], { color: "#b3471d", weight: 2, dashArray: "5 5", interactive: false }).addTo(map);
    const circle = L.circle([0, 0], { radius: 1, color: "#b3471d", weight: 1, fillOpacity: 0.1, interactive: false });
    chart = { map, points, line, circle, near: map.getZoom() + 1.5 };
    map.on("zoomend", paint);
    map.on("popupclose", ({ popup: shut }) => {
      line.setLatLngs([]);
      circle.remove();
      const inside = shut.getElement() && shut.getElement().contains(document.activeElement);
      if (inside && chart.from) chart.from.focus({ preventScroll: true });
    });
    map.getContainer().setAttribute("role", "region");
    map.getContainer().setAttribute("aria-label", "Map of the dens asked about; the questions tell the same in words");
    new ResizeObserver(() => map.invalidateSize({ animate: false })).observe(map.getContainer());
  }

  function popup(den) {
    const [label, , , reach] = data.dens[den];
    const own = (atDen.get(den) || []).filter((item) => !item.node.hidden);
    const links = own.map((item) => {
      const button = made("button", { type: "button" }, `${item.number}. ${kindWords[item.asked.kind]}${item.box.checked ? " (done)" : ""}`);
      button.addEventListener("click", () => goTo(item));
      return made("li", {}, button);
    });
    const box = made("div", { class: "at", tabindex: "-1" }, made("h2", {}, label),
      reach === null ? null : made("p", {}, `within ${reach} m`), made("ul", {}, ...links));
    box.addEventListener("keydown", (event) => { if (event.key === "Escape") chart.map.closePopup(); });
    return box;
  }

  function show(item) {
    const { map, points, line, circle } = chart;
    const [, latitude, longitude, reach] = data.dens[item.asked.den];
    const other = data.dens[item.asked.other];
    const still = { animate: false };
    map.closePopup();
    if (other) map.fitBounds([[latitude, longitude], [other[1], other[2]]], { ...still, padding: [50, 50], maxZoom: 15 });
    else map.setView([latitude, longitude], Math.max(map.getZoom(), 13), still);
    points[item.asked.den].openPopup();
    if (other) line.setLatLngs([[latitude, longitude], [other[1], other[2]]]);
    if (reach) circle.setLatLng([latitude, longitude]).setRadius(reach).addTo(map);
    chart.from = item.where;
    mark(item);
    const box = document.querySelector(".at");
    if (box) box.focus({ preventScroll: true });
  }

  function goTo(item) {
    chart.from = null;
    chart.map.closePopup();
    mark(item);
    item.node.scrollIntoView({ block: "center" });
    item.node.focus({ preventScroll: true });
  }

  function mark(item) {
    document.querySelectorAll(".question.now").forEach((node) => node.classList.remove("now"));
    item.node.classList.add("now");
  }

  draw();
  tools();
  list();
  sift();
  document.documentElement.dataset.ready = "yes";
})();
