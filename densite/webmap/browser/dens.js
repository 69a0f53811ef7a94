// Dens on the map: symbols by type, clusters that show their mix of types, popups of plain text.
(function () {
  "use strict";
  const { element, drawing, canvas, symbol } = densite.parts;

  const DenIcon = L.DivIcon.extend({
    createIcon() {
      const box = element("div", { "aria-label": this.options.label }, symbol(this.options.kind, this.options.outline, 30));
      this._setIconStyles(box, "icon");
      return box;
    },
  });

  const ClusterIcon = L.DivIcon.extend({
    createIcon() {
      const box = element("div", { "aria-label": this.options.label }, ring(this.options));
      this._setIconStyles(box, "icon");
      return box;
    },
  });

  // A disc with the number of dens; the ring around it is shared out among their types.
  function ring({ counts, total, symbols, outline, size }) {
    const radius = 15, around = 2 * Math.PI * radius, arcs = [];
    let start = 0;
    counts.forEach((count, type) => {
      if (!count) return;
      const length = (around * count) / total;
      arcs.push(drawing("circle", {
        cx: 20, cy: 20, r: radius, fill: "none", stroke: symbols[type].colour, "stroke-width": 5,
        "stroke-dasharray": `${length} ${around - length}`, "stroke-dashoffset": -start,
        transform: "rotate(-90 20 20)",
      }));
      start += length;
    });
    return canvas([size, size], "0 0 40 40",
      drawing("circle", { cx: 20, cy: 20, r: 19.5, fill: "#fff", "fill-opacity": 0.85 }),
      drawing("circle", { cx: 20, cy: 20, r: 18.2, fill: "#fff", stroke: outline, "stroke-width": 1.4 }),
      ...arcs,
      drawing("circle", { cx: 20, cy: 20, r: 12.2, fill: "#fff", stroke: outline, "stroke-width": 0.9 }),
      drawing("text", { x: 20, y: 24.2, "text-anchor": "middle", class: total < 100 ? "count" : "count many" }, String(total)));
  }

  function clusterIcon(cluster, data) {
    const counts = data.symbols.map(() => 0);
    for (const marker of cluster.getAllChildMarkers()) counts[marker.options.type] += 1;
    const total = cluster.getChildCount();
    const mix = counts.map((count, type) => (count ? `${count} ${data.symbols[type].name}` : "")).filter(Boolean);
    const size = total < 10 ? 40 : total < 100 ? 46 : 54;
    return new ClusterIcon({
      className: "cluster", iconSize: [size, size], label: `${total} dens: ${mix.join(", ")}`,
      counts, total, size, symbols: data.symbols, outline: data.outline,
    });
  }

  function popup(data, place) {
    const { dens } = data, kind = data.symbols[dens.types[place]];
    const title = element("h2", {}, dens.labels[place]);
    const type = element("p", { class: "type" }, symbol(kind, data.outline, 18), kind.name);
    const where = `${dens.latitudes[place].toFixed(6)}, ${dens.longitudes[place].toFixed(6)}`;
    const point = element("p", { class: "where" }, `${where} (WGS 84)`);
    return element("article", { class: "record", tabindex: "0", "aria-label": dens.labels[place] },
      title, type, point, ...dens.groups.flatMap((group) => lines(group, place)));
  }

  function lines(group, place) {
    if (!group.fields.length) return [];
    const list = element("dl", {});
    group.fields.forEach((field, row) => {
      const text = group.texts[row][place];
      list.append(element("dt", {}, field.heading),
        element("dd", { class: text === null ? "missing" : null }, text === null ? field.missing : text));
    });
    return [element("h3", {}, group.heading), list];
  }

  function marker(data, place) {
    const { dens } = data, type = dens.types[place], kind = data.symbols[type];
    const label = `${dens.labels[place]}, ${kind.name}`;
    const icon = new DenIcon({
      className: "den", iconSize: [30, 30], popupAnchor: [0, -12], kind, label, outline: data.outline,
    });
    return L.marker([dens.latitudes[place], dens.longitudes[place]], { icon, title: label, type, place })
      .bindPopup(() => popup(data, place), { maxWidth: 330, minWidth: 240, autoPanPadding: [12, 12] });
  }

  densite.dens = function (map, data) {
    const markers = data.dens.labels.map((_, place) => marker(data, place));
    const cluster = L.markerClusterGroup({
      iconCreateFunction: (one) => clusterIcon(one, data),
      // Far out dens gather over a finger's width; close in only those that would hide each other.
      maxClusterRadius: (zoom) => (zoom < 13 ? 70 : zoom < 15 ? 44 : 24),
      showCoverageOnHover: false,
      spiderLegPolylineOptions: { weight: 1.2, color: data.outline, opacity: 0.8 },
      animate: !window.matchMedia("(prefers-reduced-motion: reduce)").matches,
    });
    // The library opens a cluster by mouse only.
    cluster.on("clusterkeypress", (event) => {
      if (event.originalEvent.key === "Enter") cluster._zoomOrSpiderfy(event);
    });
    cluster.addLayers(markers);
    map.addLayer(cluster);
    const ofType = (type) => markers.filter((one) => one.options.type === type);
    return {
      markers,
      cluster,
      show: (type, on) => cluster[on ? "addLayers" : "removeLayers"](ofType(type)),
      open: (one) => cluster.zoomToShowLayer(one, () => one.openPopup()),
    };
  };
})();
