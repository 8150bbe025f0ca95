/* The pointer on a night's charts: shows time, values, flags and the picture of the photo under it. Needs nothing but the page.

   frametallyChart(root, data, options) gives { go(row), row() }.

   root     the element that holds the charts: for each entry of data.charts an element with its id, in it one SVG inside
            ".wide" and one inside ".narrow"; and an empty element ".reader" (hidden until the script runs), which is filled.
   data     { format: 1,
              times:    minutes since the first photo per row, null where not known,
              labels:   the time of each row in words,
              frames:   the photo's name of each row, "" where there is none,
              flags:    the words for flags, by number,
              displays: [{ key, quantity, instrument, unit, values, texts, flags }], each with one entry per row,
              phases:   [[from, to, word]], events: [[when, words]], in minutes,
              charts:   [{ id, keys, places: { wide: place, narrow: place } }],
                        place: { width, height, left, top, right, bottom } of picture and axes, in units of the SVG's viewBox,
                        and { first, last, low, high }, what the axes span,
              strips:   { height, tiles: { key: [left, width] }, images: { row: JPEG in base64 } } }
   options  { onRow(row): called whenever another row is shown,
              picture(row, key): address of a picture of that display, or null; in place of data.strips }
   A page with the elements #night and #night-data is started by itself. Rows are counted from 0. */
(function () {
  "use strict";
  const SVG = "http://www.w3.org/2000/svg";

  function make(tag, className, text) {
    const element = document.createElement(tag);
    if (className) element.className = className;
    if (text !== undefined) element.textContent = text;
    return element;
  }

  function draw(tag, attributes) {
    const element = document.createElementNS(SVG, tag);
    for (const name in attributes) element.setAttribute(name, attributes[name]);
    return element;
  }

  function nearest(times, minutes) {
    let best = -1;
    for (let row = 0; row < times.length; row++) {
      if (times[row] === null) continue;
      if (best < 0 || Math.abs(times[row] - minutes) < Math.abs(times[best] - minutes)) best = row;
    }
    return best;
  }

  function highest(display) {
    let best = -1;
    display.values.forEach((value, row) => {
      if (value !== null && (best < 0 || value > display.values[best])) best = row;
    });
    return best;
  }

  function words(data, display, row) {
    const flag = data.flags[display.flags[row]] || "";
    const value = display.values[row] === null ? "" : (display.texts[row] + "\u00a0" + display.unit).trim();
    return { value: value || flag, flag: value && flag !== "ok" ? flag : "", doubt: flag === "doubtful" };
  }

  function phaseAt(data, minutes) {
    const found = data.phases.find((phase) => minutes !== null && phase[0] <= minutes && minutes < phase[1]);
    return found ? found[2] : "";
  }

  /* The picture of one display in one row: a part of the row's strip; beside it the row it is of. */
  function pictureOf(data, options, row, key) {
    if (options.picture) {
      const address = options.picture(row, key);
      return address ? { row: row, address: address, left: 0, width: 0 } : null;
    }
    const tile = data.strips.tiles[key];
    if (!tile) return null;
    let best = -1;
    for (const name of Object.keys(data.strips.images)) {
      const other = Number(name);
      if (best < 0 || Math.abs(other - row) < Math.abs(best - row)) best = other;
    }
    if (best < 0) return null;
    return { row: best, address: "data:image/jpeg;base64," + data.strips.images[best], left: tile[0], width: tile[1] };
  }

  function addCursor(svg, place, count) {
    const group = draw("g", { "class": "cursor", "aria-hidden": "true" });
    group.append(draw("line", { y1: place.top, y2: place.bottom, "class": "cursor-line" }));
    for (let number = 0; number < count; number++) {
      group.append(draw("circle", { r: 4.2, "class": "cursor-mark mark-" + ((number % 4) + 1) }));
    }
    svg.append(group);
    return group;
  }

  function moveCursor(view, data, row) {
    const place = view.place;
    const minutes = data.times[row];
    view.cursor.style.display = minutes === null ? "none" : "";
    if (minutes === null) return;
    const x = place.left + ((minutes - place.first) / (place.last - place.first)) * (place.right - place.left);
    const line = view.cursor.firstChild;
    line.setAttribute("x1", x);
    line.setAttribute("x2", x);
    view.displays.forEach((display, number) => {
      const mark = view.cursor.childNodes[number + 1];
      const value = display.values[row];
      const inside = value !== null && value >= place.low && value <= place.high;
      mark.style.display = inside ? "" : "none";
      if (!inside) return;
      mark.setAttribute("cx", x);
      mark.setAttribute("cy", place.bottom - ((value - place.low) / (place.high - place.low)) * (place.bottom - place.top));
    });
  }

  /* The panel: time and phase on top, one line per display, the slider below. */
  function buildReader(reader, data) {
    reader.textContent = "";
    const head = make("p", "reader-head");
    const time = make("strong", "reader-time");
    const phase = make("span", "reader-phase");
    head.append(time, phase);
    const list = make("div", "reader-rows");
    const lines = data.displays.map((display) => {
      const line = make("div", "reader-row");
      const name = make("span", "reader-name", display.quantity);
      if (display.instrument) name.append(make("small", "", display.instrument));
      const value = make("span", "reader-value");
      const flag = make("span", "reader-flag");
      const picture = make("span", "reader-picture");
      picture.setAttribute("role", "img");
      line.append(name, value, flag, picture);
      list.append(line);
      return { line: line, value: value, flag: flag, picture: picture };
    });
    const note = make("p", "reader-note");
    const slider = make("input", "reader-slider");
    slider.type = "range";
    slider.min = "0";
    slider.max = String(data.times.length - 1);
    slider.step = "1";
    slider.setAttribute("aria-label", "Time of the night; arrow keys go from photo to photo");
    const buttons = make("p", "reader-buttons");
    const back = make("button", "", "\u2190 flagged");
    const on = make("button", "", "flagged \u2192");
    back.type = on.type = "button";
    back.setAttribute("aria-label", "To the reading before that is not simply ok");
    on.setAttribute("aria-label", "To the next reading that is not simply ok");
    buttons.append(back, on);
    reader.append(head, list, note, slider, buttons);
    reader.hidden = false;
    return { time: time, phase: phase, lines: lines, note: note, slider: slider, back: back, on: on };
  }

  function showPicture(panel, found, height, label) {
    panel.style.display = found ? "" : "none";
    if (!found) return;
    panel.setAttribute("aria-label", label);
    panel.style.backgroundImage = 'url("' + found.address + '")';
    if (!found.width) return;
    panel.style.width = found.width + "px";
    panel.style.height = height + "px";
    panel.style.backgroundPosition = -found.left + "px 0";
  }

  function showRow(panel, data, options, row) {
    const when = data.labels[row];
    panel.time.textContent = when;
    panel.phase.textContent = phaseAt(data, data.times[row]);
    let other = -1;
    const told = data.displays.map((display, number) => {
      const found = words(data, display, row);
      const line = panel.lines[number];
      line.value.textContent = found.value + (found.doubt ? "?" : "");
      line.value.classList.toggle("is-word", display.values[row] === null);
      line.flag.textContent = found.flag;
      line.flag.style.display = found.flag ? "" : "none";
      const picture = pictureOf(data, options, row, display.key);
      if (picture && picture.row !== row) other = picture.row;
      showPicture(line.picture, picture, data.strips.height, display.quantity + " in the photo of " + when);
      return display.quantity + " " + found.value + (found.flag ? ", " + found.flag : "");
    });
    const name = data.frames[row] || "no photo";
    panel.note.textContent = other < 0 ? name : name + "; pictures are of " + data.labels[other];
    panel.slider.value = String(row);
    panel.slider.setAttribute("aria-valuetext", when + ": " + told.join("; "));
  }

  function start(root, data, options) {
    options = options || {};
    if (!data || data.format !== 1 || !data.times.length) return null;
    const byKey = new Map(data.displays.map((display) => [display.key, display]));
    const panel = buildReader(root.querySelector(".reader"), data);
    const views = [];
    let shown = -1;

    function go(row) {
      row = Math.min(Math.max(row, 0), data.times.length - 1);
      if (row === shown) return;
      shown = row;
      views.forEach((view) => moveCursor(view, data, row));
      showRow(panel, data, options, row);
      if (options.onRow) options.onRow(row);
    }

    function goFlagged(step) {
      const open = (row) => data.displays.some((display) => data.flags[display.flags[row]] !== "ok");
      for (let row = shown + step; row >= 0 && row < data.times.length; row += step) if (open(row)) return go(row);
    }

    function follow(view, event) {
      const box = view.svg.getBoundingClientRect();
      const place = view.place;
      const x = ((event.clientX - box.left) / box.width) * place.width;
      const minutes = place.first + ((x - place.left) / (place.right - place.left)) * (place.last - place.first);
      const row = nearest(data.times, minutes);
      if (row >= 0) go(row);
    }

    data.charts.forEach((chart) => {
      const figure = root.querySelector("#" + chart.id);
      if (!figure) return;
      for (const variant in chart.places) {
        const svg = figure.querySelector("." + variant + " svg");
        if (!svg) continue;
        const displays = chart.keys.map((key) => byKey.get(key));
        const view = { svg: svg, place: chart.places[variant], displays: displays };
        view.cursor = addCursor(svg, view.place, displays.length);
        views.push(view);
        svg.classList.add("live");
        svg.addEventListener("pointermove", (event) => follow(view, event));
        svg.addEventListener("pointerdown", (event) => follow(view, event));
      }
    });
    panel.slider.addEventListener("input", () => go(Number(panel.slider.value)));
    panel.back.addEventListener("click", () => goFlagged(-1));
    panel.on.addEventListener("click", () => goFlagged(1));
    const lead = data.charts.length ? byKey.get(data.charts[0].keys[0]) : data.displays[0];
    go(lead ? Math.max(highest(lead), 0) : 0);
    return { go: go, row: () => shown };
  }

  window.frametallyChart = start;
  const root = document.getElementById("night");
  const text = document.getElementById("night-data");
  if (root && text) start(root, JSON.parse(text.textContent), {});
})();
