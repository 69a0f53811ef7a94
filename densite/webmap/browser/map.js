// Puts the parts together once folium's script has made the map and its layers.
(function () {
  "use strict";
  const { element } = densite.parts;

  const Readout = L.Control.extend({
    options: { position: "bottomleft" },
    onAdd(map) {
      const box = element("div", { class: "readout", title: "Latitude, longitude under the pointer (WGS 84)" });
      const tell = (event) => {
        const at = event.latlng.wrap();
        box.textContent = `${at.lat.toFixed(5)}, ${at.lng.toFixed(5)} (WGS 84)`;
      };
      map.on("mousemove click", tell);
      return box;
    },
  });

  // Who opens a popup by keyboard must be able to read it and to come back to the den.
  function mindFocus(map) {
    map.on("popupopen", ({ popup }) => {
      const record = popup.getElement().querySelector(".record");
      if (!record) return;
      record.focus({ preventScroll: true });
      record.addEventListener("keydown", (event) => {
        if (event.key === "Escape") map.closePopup(popup);
      });
    });
    map.on("popupclose", ({ popup }) => {
      const inside = popup.getElement() && popup.getElement().contains(document.activeElement);
      const icon = popup._source && popup._source._icon;
      if (inside && icon) icon.focus({ preventScroll: true });
    });
  }

  // On paper every part of the legend is open and the map shows the same ground as on the screen.
  function mindPaper(map) {
    const page = document.documentElement;
    let before = null;
    window.addEventListener("beforeprint", () => {
      if (before) return;
      const closed = [...document.querySelectorAll("#panel details:not([open])")];
      before = { closed, bounds: map.getBounds(), middle: map.getCenter(), zoom: map.getZoom() };
      closed.forEach((box) => { box.open = true; });
      page.classList.add("paper");
      map.invalidateSize({ animate: false, pan: false });
      map.setView(before.middle, map.getBoundsZoom(before.bounds), { animate: false });
    });
    window.addEventListener("afterprint", () => {
      if (!before) return;
      before.closed.forEach((box) => { box.open = false; });
      page.classList.remove("paper");
      map.invalidateSize({ animate: false, pan: false });
      map.setView(before.middle, before.zoom, { animate: false });
      before = null;
    });
  }

  // The map follows its place when the panel opens or a phone is turned, and keeps a popup in sight.
  function mindSize(map) {
    let wait = 0;
    map.on("resize", () => {
      clearTimeout(wait);
      wait = setTimeout(() => {
        const popup = map._popup;
        if (!popup || !popup.isOpen() || document.documentElement.classList.contains("paper")) return;
        popup._autopanning = false;
        popup._adjustPan();
      }, 300);
    });
    new ResizeObserver(() => map.invalidateSize({ animate: false })).observe(map.getContainer());
  }

  densite.start = function (map, layers) {
    const data = JSON.parse(document.getElementById("map-data").textContent);
    map.getContainer().setAttribute("role", "region");
    map.getContainer().setAttribute("aria-label", "Map");
    map.fitBounds(data.view, { animate: false });
    map.setMinZoom(Math.max(0, map.getZoom() - 2));
    L.control.zoom({ position: "topleft" }).addTo(map);
    new Readout().addTo(map);
    L.control.scale({ imperial: false, maxWidth: 140, position: "bottomleft" }).addTo(map);
    const dens = densite.dens(map, data);
    densite.panel(map, data, layers, dens);
    mindFocus(map);
    mindPaper(map);
    mindSize(map);
    document.getElementById("notes").append("Drawn with Leaflet (BSD-2) and Leaflet.markercluster (MIT)");
    densite.view = { map, dens, layers };
    document.documentElement.dataset.ready = "yes";
    performance.mark("map-ready");
  };
})();
