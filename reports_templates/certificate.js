"use strict";
/* Read-out, zoom to a stage, channel switches. The page is complete without any of it. */
(function () {
  var LEFT = 50, TOP = 22, WIDTH = 484;
  var NS = "http://www.w3.org/2000/svg";
  var charts = [];

  function make(tag, props, parent) {
    var node = document.createElement(tag);
    Object.keys(props).forEach(function (key) { node.setAttribute(key, props[key]); });
    parent.appendChild(node);
    return node;
  }

  function draw(tag, props, parent) {
    var node = document.createElementNS(NS, tag);
    Object.keys(props).forEach(function (key) { node.setAttribute(key, props[key]); });
    parent.appendChild(node);
    return node;
  }

  /* The path holds the journal's figures themselves: pairs of seconds and value, M where a new piece starts. */
  function points(path) {
    var found = [];
    (path.getAttribute("d").match(/[ML][^MLh]+/g) || []).forEach(function (step) {
      var pair = step.slice(1).split(" ");
      found.push({ t: Number(pair[0]), v: Number(pair[1]), text: pair[1], starts: step[0] === "M" });
    });
    return found;
  }

  /* Position of the last point at or before t, -1 where there is none. */
  function before(list, t) {
    var low = -1, high = list.length - 1;
    while (low < high) {
      var middle = (low + high + 1) >> 1;
      if (list[middle].t <= t) { low = middle; } else { high = middle - 1; }
    }
    return low;
  }

  /* What a line says at t. A line that holds every reading: the last reading. A line of a long run, which holds the lowest
     and the highest of every slice: those within half a drawing unit, else the last one with its own time. */
  function said(chart, line, t) {
    var list = line.points, reach = (chart.to - chart.from) / WIDTH / 2;
    if (line.whole) { reach = 0; }
    var last = before(list, t + reach), first = before(list, t - reach);
    if (last > first) {
      var part = list.slice(first + 1, last + 1).sort(function (a, b) { return a.v - b.v; });
      var low = part[0].text, high = part[part.length - 1].text;
      return (low === high ? low : low + " to " + high) + " " + chart.unit;
    }
    var next = list[last + 1];
    if (last < 0 || ((!next || next.starts) && list[last].t < t)) { return "no value"; }
    return list[last].text + " " + chart.unit + (line.whole ? "" : " (at " + clock(list[last].t) + ")");
  }

  function clock(seconds) {
    var whole = Math.round(seconds), h = Math.floor(whole / 3600), m = Math.floor(whole / 60) % 60, s = whole % 60;
    return (h ? h + " h " : "") + (h || m ? m + " min " : "") + s + " s";
  }

  function tickStep(span) {
    var steps = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 14400, 21600, 43200, 86400];
    for (var i = 0; i < steps.length; i++) { if (span / steps[i] <= 8) { return steps[i]; } }
    return 172800;
  }

  function tickText(t, last, span) {
    var unit = span <= 180 ? ["s", 1] : span <= 10800 ? ["min", 60] : ["h", 3600];
    return Number((t / unit[1]).toFixed(2)) + (last ? " " + unit[0] : "");
  }

  function show(chart, from, to) {
    chart.from = from;
    chart.to = to;
    var across = WIDTH / (to - from), up = chart.height / (chart.high - chart.low);
    chart.data.forEach(function (group) {
      group.setAttribute("transform", "matrix(" + across + " 0 0 " + -up + " " + (LEFT - from * across) + " " + (TOP + up * chart.high) + ")");
    });
    ticks(chart, across);
    var whole = from === 0 && to === chart.end;
    chart.stageNames.setAttribute("visibility", whole ? "visible" : "hidden");
  }

  function ticks(chart, across) {
    var group = chart.timeGrid, span = chart.to - chart.from, step = tickStep(span), y = TOP + chart.height;
    while (group.firstChild) { group.removeChild(group.firstChild); }
    var first = Math.ceil(chart.from / step - 1e-9), last = Math.floor(chart.to / step + 1e-9);
    for (var index = first; index <= last; index++) {
      var x = LEFT + (index * step - chart.from) * across;
      draw("path", { d: "M" + x + " " + y + "v4" }, group);
      draw("text", { x: x, y: y + 15, "text-anchor": "middle" }, group).textContent = tickText(index * step, index === last, span);
    }
  }

  function readOut(chart, t) {
    var x = LEFT + (t - chart.from) * WIDTH / (chart.to - chart.from);
    var inside = t >= chart.from && t <= chart.to;
    chart.hair.setAttribute("d", inside ? "M" + x + " " + TOP + "v" + chart.height : "");
    var parts = [];
    chart.lines.forEach(function (line) {
      if (line.path.classList.contains("waiting")) { return; }
      parts.push(line.label + " " + said(chart, line, t).replace(/(^| )-/g, "$1\u2212"));
    });
    chart.out.textContent = inside ? clock(t) + ": " + parts.join(", ") : "";
  }

  function everywhere(t) { charts.forEach(function (chart) { readOut(chart, t); }); }

  function button(text, parent, pressed, act) {
    var node = make("button", { type: "button", "aria-pressed": String(pressed) }, parent);
    node.textContent = text;
    node.addEventListener("click", function () { act(node); });
    return node;
  }

  function setUp(figure) {
    var svg = figure.querySelector("svg");
    if (!svg || !figure.hasAttribute("data-end")) { return; }
    var lines = Array.prototype.map.call(svg.querySelectorAll(".data .line"), function (path) {
      return { path: path, label: path.getAttribute("data-label"), whole: path.hasAttribute("data-whole"), points: points(path) };
    });
    var chart = {
      figure: figure, svg: svg, lines: lines, unit: figure.getAttribute("data-unit"),
      low: Number(figure.getAttribute("data-low")), high: Number(figure.getAttribute("data-high")),
      end: Number(figure.getAttribute("data-end")), height: Number(figure.getAttribute("data-height")),
      data: Array.prototype.slice.call(svg.querySelectorAll(".data")),
      timeGrid: svg.querySelector(".time-grid"), stageNames: svg.querySelector(".stage-names")
    };
    chart.hair = draw("path", { "class": "hair", d: "" }, svg);
    chart.out = make("p", { "class": "read-out controls" }, figure);
    charts.push(chart);
    show(chart, 0, chart.end);
    svg.addEventListener("pointermove", function (event) {
      var box = svg.getBoundingClientRect(), x = (event.clientX - box.left) * 760 / box.width;
      var t = chart.from + (x - LEFT) * (chart.to - chart.from) / WIDTH;
      everywhere(Math.min(Math.max(t, chart.from), chart.to));
    });
    switches(chart);
  }

  function switches(chart) {
    if (chart.lines.length < 2) { return; }
    var details = make("details", { "class": "controls switches" }, chart.figure);
    make("summary", {}, details).textContent = "Channels (" + chart.lines.length + ")";
    chart.lines.forEach(function (line) {
      button(line.label, details, !line.path.classList.contains("waiting"), function (node) {
        var waiting = line.path.classList.toggle("waiting");
        node.setAttribute("aria-pressed", String(!waiting));
      });
    });
  }

  function zoomBar() {
    var bands = charts[0].svg.querySelectorAll(".band"), section = document.querySelector(".traces");
    var bar = document.createElement("div");
    bar.className = "controls zoom";
    bar.setAttribute("role", "group");
    bar.setAttribute("aria-label", "Show the whole run or one stage");
    section.insertBefore(bar, section.querySelector("figure"));
    var nodes = [];
    function choose(from, to) {
      return function (node) {
        charts.forEach(function (chart) { show(chart, from, to); });
        nodes.forEach(function (other) { other.setAttribute("aria-pressed", String(other === node)); });
        slider.min = from; slider.max = to; slider.value = from;
        everywhere(from);
      };
    }
    nodes.push(button("Whole run", bar, true, choose(0, charts[0].end)));
    Array.prototype.forEach.call(bands, function (band) {
      var from = Number(band.getAttribute("data-start")), to = from + Number(band.getAttribute("data-length"));
      if (to > from) { nodes.push(button(band.getAttribute("data-name"), bar, false, choose(from, to))); }
    });
    var label = make("label", {}, bar);
    label.appendChild(document.createTextNode("Read out at "));
    var slider = make("input", { type: "range", min: "0", max: String(charts[0].end), step: "any", value: "0" }, label);
    slider.addEventListener("input", function () { everywhere(Number(slider.value)); });
    slider.addEventListener("keydown", function (event) {
      var step = (Number(slider.max) - Number(slider.min)) / 100, way = { ArrowRight: step, ArrowUp: step, ArrowLeft: -step, ArrowDown: -step }[event.key];
      if (!way) { return; }
      event.preventDefault();
      slider.value = Number(slider.value) + way;
      everywhere(Number(slider.value));
    });
  }

  /* The page checks its own seal from a file that the reader chooses: a page cannot read its own bytes. One character a byte. */
  var OPEN = "<" + "script type=\"application/json\" id=\"run-seal\">", CLOSE = "<" + "/script>";
  var FORGED = " A page cannot vouch for itself: a forged one can say the same, so compare the fingerprint with the one that the workshop itself publishes. This does not show that the findings follow from the run's journal; the bundle shows that.";

  function characters(buffer) {
    var bytes = new Uint8Array(buffer), parts = [];
    for (var at = 0; at < bytes.length; at += 8192) { parts.push(String.fromCharCode.apply(null, bytes.subarray(at, at + 8192))); }
    return parts.join("");
  }

  function bytes(text) { return Uint8Array.from(text, function (one) { return one.charCodeAt(0); }); }

  function fromHex(text) { return Uint8Array.from(text.match(/../g), function (pair) { return parseInt(pair, 16); }); }

  function sha256(data) {
    return crypto.subtle.digest("SHA-256", data).then(function (digest) {
      return Array.prototype.map.call(new Uint8Array(digest), function (one) { return ("0" + one.toString(16)).slice(-2); }).join("");
    });
  }

  function sealIn(text) {
    var start = text.indexOf(OPEN), inside = start + OPEN.length, end = text.indexOf(CLOSE, inside);
    if (start < 0 || end <= inside || text.indexOf(OPEN, inside) >= 0) { return null; }
    var escaped = new RegExp("(?<!\\\\)((?:\\\\\\\\)*)\\\\u003c", "g");
    var data = text.slice(inside, end).replace(escaped, "$1<"), whole = JSON.parse(data);
    return {
      page: text.slice(0, inside) + text.slice(end), whole: whole,
      seal: data.slice(data.indexOf(":") + 1, data.lastIndexOf(",\"digest\":\""))
    };
  }

  function signed(found) {
    var signature = found.whole.signature;
    if (!signature) { return Promise.resolve("Not signed: this shows accidental damage only."); }
    var key = fromHex(signature.public_key);
    return Promise.all([sha256(key), crypto.subtle.importKey("raw", key, "Ed25519", false, ["verify"]).then(function (made) {
      return crypto.subtle.verify("Ed25519", made, fromHex(signature.value), bytes("burnin seal 1\n" + found.seal));
    }, function () { return null; })]).then(function (both) {
      var shown = both[0].match(/..../g).join(" ");
      if (both[1] === null) { return "Signature not checked: this browser does not know Ed25519."; }
      if (!both[1]) { throw new Error("the signature does not fit the seal"); }
      return "Signed with the key " + shown + "." + FORGED;
    });
  }

  function checked(text) {
    var found = sealIn(text);
    if (!found) { throw new Error("there is no seal in its place"); }
    return Promise.all([sha256(bytes(found.page)), sha256(bytes(found.seal))]).then(function (digests) {
      if (digests[0] !== found.whole.seal.files["certificate.html"]) { throw new Error("the page is not the one that was sealed"); }
      if (digests[1] !== found.whole.digest) { throw new Error("the seal is not what its digest says"); }
      return signed(found);
    }).then(function (words) { return "Unchanged since it was sealed. " + words; });
  }

  function sealCheck() {
    var slot = document.getElementById("run-seal"), place = document.querySelector("p.seal");
    if (!slot || !slot.textContent || !place || !window.crypto || !crypto.subtle) { return; }
    var box = make("div", { "class": "controls seal-check" }, place.parentNode);
    var label = make("label", {}, box), input = make("input", { type: "file", accept: ".html" }, label);
    label.insertBefore(document.createTextNode("Check this seal here, offline: choose this very file "), input);
    var out = make("p", { role: "status", "class": "small" }, box);
    input.addEventListener("change", function () {
      if (!input.files.length) { return; }
      input.files[0].arrayBuffer().then(characters).then(checked).then(function (words) { out.textContent = words; }, function (error) {
        out.textContent = "CHANGED, or no certificate: " + error.message + ".";
      });
    });
  }

  Array.prototype.forEach.call(document.querySelectorAll("figure.chart"), setUp);
  if (charts.length) { zoomBar(); }
  sealCheck();
}());
