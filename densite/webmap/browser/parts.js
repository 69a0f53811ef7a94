// Small makers of elements. Text only ever enters the page as a text node, never as markup.
var densite = { parts: {} };

(function (parts) {
  "use strict";
  const SVG = "http://www.w3.org/2000/svg";

  function filled(node, attributes, children) {
    for (const [name, value] of Object.entries(attributes || {})) {
      if (value === true) node.setAttribute(name, "");
      else if (value !== false && value !== null && value !== undefined) node.setAttribute(name, value);
    }
    // A string given to append() becomes a text node.
    node.append(...children.filter((child) => child !== null && child !== undefined));
    return node;
  }

  parts.element = (tag, attributes, ...children) =>
    filled(document.createElement(tag), attributes, children);

  parts.drawing = (tag, attributes, ...children) =>
    filled(document.createElementNS(SVG, tag), attributes, children);

  parts.canvas = (size, box, ...shapes) =>
    parts.drawing("svg", {
      viewBox: box, width: size[0], height: size[1], "aria-hidden": "true", focusable: "false",
    }, ...shapes);

  // The symbol of a den type: a white halo, then the shape with a dark outline.
  parts.symbol = function (kind, outline, size) {
    const join = { d: kind.path, "stroke-linejoin": "round" };
    return parts.canvas([size, size], "-2 -2 32 32",
      parts.drawing("path", { ...join, fill: "#fff", stroke: "#fff", "stroke-width": 5.5, "stroke-opacity": 0.9 }),
      parts.drawing("path", { ...join, fill: kind.colour, stroke: outline, "stroke-width": 1.8 }));
  };

  parts.swatch = (colour) =>
    parts.canvas([22, 14], "0 0 22 14",
      parts.drawing("rect", { x: 0.5, y: 0.5, width: 21, height: 13, rx: 2, fill: colour, stroke: "#8a8f94" }));

  // A line, an area or a dot as it is drawn on the map.
  parts.sample = function (drawn) {
    const stroke = { stroke: drawn.colour, "stroke-width": Math.max(drawn.width, 1), "stroke-dasharray": drawn.dash || null };
    if (drawn.kind === "area") {
      return parts.canvas([22, 14], "0 0 22 14",
        parts.drawing("rect", { x: 4, y: 2, width: 14, height: 10, fill: drawn.fill, "fill-opacity": 0.7, ...stroke }));
    }
    if (drawn.kind === "dot") {
      return parts.canvas([22, 14], "0 0 22 14",
        parts.drawing("circle", { cx: 11, cy: 7, r: 2, fill: drawn.fill || drawn.colour, ...stroke }));
    }
    return parts.canvas([22, 14], "0 0 22 14",
      parts.drawing("path", { d: "M1 7 H21", fill: "none", ...stroke }));
  };
})(densite.parts);
