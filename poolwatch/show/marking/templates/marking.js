"use strict";
(function () {
  const data = JSON.parse(document.getElementById("data").textContent);
  const byId = function (id) { return document.getElementById(id); };
  const ENDS = MARKED_ENDS, LEAST_OUTLINE = 6;
  const KEY = ["poolwatch handcheck", data.clip_id, data.settings_id, data.seed, data.drawn].join(" ");
  const stage = byId("stage"), pen = stage.getContext("2d"), ink = markingInk(pen);
  const frames = new Map(data.frames.map(function (f) { return [f.frame, f]; }));

  // --- what is kept ---------------------------------------------------------------------------------------------
  // Sheets begun on this page; another tab may have begun others since.
  const own = {};
  function sheets() {
    let stored = {};
    try { stored = JSON.parse(localStorage.getItem(KEY)).sheets; } catch (fault) { stored = {}; }
    return Object.assign({}, stored, own);
  }
  function keep() {
    try { localStorage.setItem(KEY, JSON.stringify({ sheets: sheets() })); } catch (fault) { byId("storage-fault").hidden = false; }
  }
  let sheet = null, order = [];
  function fresh(person, round) {
    return { person: person, round: round, outline: false, marks: {}, particles: [], runSeen: false, log: [] };
  }
  function marksOf(frame) { return sheet.marks[frame] || (sheet.marks[frame] = {}); }
  function isDone(frame) {
    const m = sheet.marks[frame];
    if (!m) return false;
    const points = (m.outline || []).length;
    if (points > 0 && points < LEAST_OUTLINE) return false;
    return Boolean(m.unclear) || (ENDS.every(function (k) { return m[k]; }) && (points > 0 || !sheet.outline));
  }
  function left() { return order.filter(function (f) { return !isDone(f); }); }

  // --- the picture and the view on it: screen = (picture + 0.5) * scale + shift -----------------------------------
  let stageOf = "frames", frame = null, kind = "front", offset = 0, smooth = true;
  let view = null, room = null, cursor = [(data.width - 1) / 2, (data.height - 1) / 2];
  const loaded = new Map();
  function picture(address) {
    if (!loaded.has(address)) {
      const image = new Image();
      image.onload = draw;
      image.src = address;
      loaded.set(address, image);
      // Decoded pictures are large: only the last few stay.
      if (loaded.size > 24) loaded.delete(loaded.keys().next().value);
    }
    return loaded.get(address);
  }
  // Lines are placed in linear tone; particles are looked for with faint parts raised.
  const raised = { frames: false, run: true };
  function tone() { return data.linear && raised[stageOf] ? "raised" : "linear"; }
  const lowered = new WeakMap();
  function inTone(image) {
    if (!data.linear || tone() === "raised") return image;
    if (!lowered.has(image)) lowered.set(image, inOtherGreys(image, data.width, data.height, data.linear));
    return lowered.get(image);
  }
  function pictures() { return stageOf === "frames" ? frames.get(frame).pictures : { 0: data.run[frame].picture }; }
  function whole(width, height) { return Math.min(width / data.width, height / data.height); }
  function fit() {
    const box = stage.getBoundingClientRect(), scale = whole(box.width, box.height);
    view = { scale: scale, x: (box.width - scale * data.width) / 2, y: (box.height - scale * data.height) / 2 };
  }
  function toScreen(p) { return [(p[0] + 0.5) * view.scale + view.x, (p[1] + 0.5) * view.scale + view.y]; }
  function toPicture(s) { return [(s[0] - view.x) / view.scale - 0.5, (s[1] - view.y) / view.scale - 0.5]; }
  function inside(p) {
    return [Math.min(data.width - 0.5, Math.max(-0.5, p[0])), Math.min(data.height - 0.5, Math.max(-0.5, p[1]))];
  }
  function zoom(factor, about) {
    const box = stage.getBoundingClientRect();
    const s = about || toScreen(cursor), p = toPicture(s);
    view.scale = Math.min(64, Math.max(whole(box.width, box.height), view.scale * factor));
    view.x = s[0] - (p[0] + 0.5) * view.scale;
    view.y = s[1] - (p[1] + 0.5) * view.scale;
    held();
    draw();
  }
  // The picture never leaves the stage.
  function held() {
    const box = stage.getBoundingClientRect();
    for (const [axis, room, size] of [["x", box.width, data.width], ["y", box.height, data.height]]) {
      const span = size * view.scale;
      view[axis] = span <= room ? (room - span) / 2 : Math.min(0, Math.max(room - span, view[axis]));
    }
  }
  function pan(dx, dy) { view.x += dx; view.y += dy; held(); draw(); }
  function resize() {
    if (byId("work").hidden) return;
    const box = stage.getBoundingClientRect(), dots = window.devicePixelRatio || 1;
    const middle = view && toPicture([room[0] / 2, room[1] / 2]), was = room && whole(room[0], room[1]);
    stage.width = Math.round(box.width * dots);
    stage.height = Math.round(box.height * dots);
    room = [box.width, box.height];
    if (!view || view.scale <= was * 1.001) fit();
    else {
      view.scale = Math.max(view.scale, whole(box.width, box.height));
      view.x = box.width / 2 - (middle[0] + 0.5) * view.scale;
      view.y = box.height / 2 - (middle[1] + 0.5) * view.scale;
      held();
    }
    draw();
  }
  // Along a line of front or rear the coordinate along travel is constant, along one of left or right that across it.
  function direction(of) {
    const row = data.axes[of === "front" || of === "rear" ? 0 : 1], size = Math.hypot(row[0], row[1]);
    return [-row[1] / size, row[0] / size];
  }
  function lineThrough(p, of, colour, width, dash) {
    const s = toScreen(p), d = direction(of), far = 1e4;
    ink.stroke(function () { pen.moveTo(s[0] - far * d[0], s[1] - far * d[1]); pen.lineTo(s[0] + far * d[0], s[1] + far * d[1]); }, colour, width, dash);
  }
  function draw() {
    if (frame === null || byId("work").hidden) return;
    const dots = window.devicePixelRatio || 1;
    pen.setTransform(1, 0, 0, 1, 0, 0);
    pen.clearRect(0, 0, stage.width, stage.height);
    pen.setTransform(dots, 0, 0, dots, 0, 0);
    const image = picture(pictures()[offset]);
    if (image.complete && image.naturalWidth) {
      pen.imageSmoothingEnabled = smooth;
      pen.imageSmoothingQuality = "high";
      pen.drawImage(inTone(image), view.x, view.y, data.width * view.scale, data.height * view.scale);
    }
    stage.dataset.shown = image.complete ? frame + "," + offset : "";
    if (stageOf === "frames") {
      const m = sheet.marks[frame] || {};
      for (const k of ENDS) if (m[k]) {
        lineThrough(m[k], k, "#f0e442", 1, k === kind ? [2, 6] : [6, 6]);
        if (k !== kind) ink.words(k, toScreen(m[k])[0] + 6, toScreen(m[k])[1] - 6);
      }
      const ring = m.outline || [];
      if (ring.length) {
        ink.stroke(function () { ring.forEach(function (p, n) { const s = toScreen(p); if (n) pen.lineTo(s[0], s[1]); else pen.moveTo(s[0], s[1]); }); if (ring.length > 2) pen.closePath(); }, "#f0e442", 1);
        for (const p of ring) ink.corners(toScreen(p), 4, "#f0e442");
      }
      if (m.unclear) ink.words("called unclear: cannot see", 12, 24);
    } else {
      sheet.particles.forEach(function (p, n) {
        if (p.frame > data.run[frame].frame) return;
        const now = p.frame === data.run[frame].frame;
        const s = toScreen([p.x, p.y]);
        ink.corners(s, now ? 12 : 6, now ? "#f0e442" : "#9aa0a6");
        if (now) ink.words(String(n + 1), s[0] + 14, s[1] - 8);
      });
    }
    if (offset === 0 && !(stageOf === "frames" && (sheet.marks[frame] || {}).unclear)) {
      if (ENDS.includes(kind)) lineThrough(cursor, kind, "#56b4e9", 1.5);
      const s = toScreen(cursor), long = kind === "particle" || kind === "outline" ? 14 : 7;
      ink.stroke(function () { pen.moveTo(s[0] - long, s[1]); pen.lineTo(s[0] - 3, s[1]); pen.moveTo(s[0] + 3, s[1]); pen.lineTo(s[0] + long, s[1]); pen.moveTo(s[0], s[1] - long); pen.lineTo(s[0], s[1] - 3); pen.moveTo(s[0], s[1] + 3); pen.lineTo(s[0], s[1] + long); }, "#56b4e9", 1.5);
    }
    ink.travel(data.forward, stage.getBoundingClientRect().height);
    byId("place").textContent = "x " + cursor[0].toFixed(1) + ", y " + cursor[1].toFixed(1) + " px, enlarged " + view.scale.toFixed(1) + " times";
  }

  // --- steps ----------------------------------------------------------------------------------------------------
  function say(text) { byId("step").textContent = text; }
  function show() {
    const run = stageOf === "run";
    document.querySelectorAll("#kinds button").forEach(function (b) { b.setAttribute("aria-pressed", String(b.dataset.kind === kind)); });
    byId("kinds").hidden = run;
    document.querySelectorAll("[data-do=tone]").forEach(function (b) { b.setAttribute("aria-pressed", String(raised[stageOf])); });
    byId("around").hidden = run || Object.keys(frames.get(frame).pictures).length < 2;
    document.querySelector("[data-do=unclear]").hidden = run;
    document.querySelector("[data-do=next]").textContent = run && frame === data.run.length - 1 ? "Finish" : "Next";
    if (run) {
      const here = sheet.particles.filter(function (p) { return p.frame === data.run[frame].frame; }).length;
      say((frame ? "Mark particles that you see for the first time" : "Mark all particles in flight") + ", then next frame");
      byId("progress").textContent = "Picture " + (frame + 1) + " of " + data.run.length + ", frame " + data.run[frame].frame + ": " + here + " marked here, " + sheet.particles.length + " in all";
    } else {
      const m = sheet.marks[frame] || {};
      const what = m.unclear ? "Called unclear. Next frame, or mark it after all"
        : kind === "outline" ? "Click along the outline, " + ((m.outline || []).length) + " points; then next frame"
          : "Place the line at the pool’s " + kind + (m[kind] ? " (again)" : "");
      say(offset ? "Shown: " + Math.abs(offset) + (offset < 0 ? " before" : " after") + ". Nothing is placed here" : what);
      byId("progress").textContent = "Frame " + (order.indexOf(frame) + 1) + " of " + order.length + " (number " + frame + "), " + left().length + " left";
    }
    draw();
  }
  function panel(name) {
    for (const id of ["start", "work", "done"]) byId(id).hidden = id !== name;
    if (name === "work") { resize(); stage.focus(); }
  }
  function missing(f) {
    const m = sheet.marks[f] || {};
    return ENDS.find(function (k) { return !m[k]; }) || (sheet.outline && !(m.outline || []).length ? "outline" : null);
  }
  function go(to) {
    stageOf = "frames";
    frame = to;
    offset = 0;
    kind = missing(to) || "front";
    panel("work");
    show();
  }
  function next() {
    const rest = left();
    if (!rest.length) return overview();
    const at = order.indexOf(frame);
    go(rest.find(function (f) { return order.indexOf(f) > at; }) || rest[0]);
  }
  function step(by) {
    if (stageOf === "run") {
      const to = frame + by;
      if (to >= data.run.length) { sheet.runSeen = true; keep(); return overview(); }
      if (to < 0) return;
      frame = to;
      return show();
    }
    const at = order.indexOf(frame) + by;
    if (at < 0) return;
    if (at >= order.length) return overview();
    go(order[at]);
  }
  function overview() {
    const rest = left().length, unclear = order.filter(function (f) { return (sheet.marks[f] || {}).unclear; }).length;
    const begun = sheet.particles.length > 0 && !sheet.runSeen;
    byId("summary").textContent = sheet.person + ", round " + sheet.round + ": " + (order.length - rest) + " of " + order.length + " frames done"
      + (unclear ? ", " + unclear + " of them called unclear" : "") + "."
      + (data.run.length ? " Particles: " + (sheet.runSeen ? sheet.particles.length + " marked, all frames looked through." : begun ? sheet.particles.length + " marked, not yet looked through to the end." : "not looked for.") : "");
    byId("save").disabled = rest > 0 || begun;
    byId("resume").hidden = rest === 0;
    byId("saved").textContent = rest > 0 ? "Save as CSV is possible once all frames are done." : begun ? "Save as CSV is possible once the frames with particles are looked through." : "";
    panel("done");
    byId("done-title").focus();
  }
  function place() {
    if (offset) { offset = 0; return show(); }
    const p = inside(cursor).map(function (v) { return Math.round(v * 1000) / 1000; }).concat(tone());
    if (stageOf === "run") {
      sheet.particles.push({ frame: data.run[frame].frame, x: p[0], y: p[1], tone: p[2] });
      sheet.log.push({ run: frame });
    } else {
      const m = marksOf(frame);
      sheet.log.push({ frame: frame, kind: kind, before: kind === "outline" ? null : m[kind] || null, unclear: Boolean(m.unclear) });
      delete m.unclear;
      if (kind === "outline") (m.outline = m.outline || []).push(p);
      else m[kind] = p;
    }
    keep();
    if (stageOf === "run" || kind === "outline") return show();
    kind = missing(frame) || kind;
    if (isDone(frame)) next(); else show();
  }
  function unclear() {
    if (stageOf === "run") return;
    sheet.log.push({ frame: frame, kind: "unclear", before: sheet.marks[frame] || {} });
    sheet.marks[frame] = { unclear: true };
    keep();
    next();
  }
  function undo() {
    const last = sheet.log.pop();
    if (!last) return say("Nothing to undo");
    if ("run" in last) {
      sheet.particles.pop();
      keep();
      stageOf = "run"; kind = "particle"; frame = last.run; offset = 0;
      panel("work");
      return show();
    }
    if (last.kind === "unclear") sheet.marks[last.frame] = last.before;
    else {
      const m = marksOf(last.frame);
      if (last.kind === "outline") { m.outline.pop(); if (!m.outline.length) delete m.outline; }
      else if (last.before) m[last.kind] = last.before;
      else delete m[last.kind];
      if (last.unclear) m.unclear = true;
    }
    keep();
    go(last.frame);
    if (last.kind !== "unclear") { kind = last.kind; show(); }
  }
  function look(by) {
    if (stageOf === "run") return step(by);
    if (String(offset + by) in pictures()) { offset += by; show(); }
  }
  function particles() {
    stageOf = "run"; kind = "particle"; offset = 0; frame = 0;
    panel("work");
    show();
  }
  function save() {
    const name = download(data.clip, sheet, markedCsv(data, sheet, order));
    byId("saved").textContent = "Saved as " + name + " where this browser puts downloads.";
  }
  function begin(person, round, outline) {
    const name = person + "\n" + round;
    sheet = own[name] = sheets()[name] || fresh(person, round);
    sheet.outline = sheet.outline || outline;
    keep();
    order = shuffled(data.frames.map(function (f) { return f.frame; }), data.seed * 1009 + round * 9176 + 7);
    const rest = left();
    if (rest.length) go(rest[0]); else overview();
  }
  function kept() {
    const list = byId("kept-list");
    list.textContent = "";
    for (const s of Object.values(sheets())) {
      const item = document.createElement("li"), button = document.createElement("button");
      button.type = "button";
      button.textContent = "Go on: " + s.person + ", round " + s.round + ", " + Object.keys(s.marks).length + " of " + data.frames.length + " frames begun";
      button.addEventListener("click", function () { begin(s.person, s.round, false); });
      item.append(button);
      list.append(item);
    }
    byId("kept").hidden = !list.children.length;
  }

  // --- hands ----------------------------------------------------------------------------------------------------
  const acts = {
    place: place, undo: undo, unclear: unclear, save: save, overview: overview, particles: particles,
    in: function () { zoom(1.5); }, out: function () { zoom(1 / 1.5); }, fit: function () { fit(); draw(); },
    tone: function () { if (data.linear) { raised[stageOf] = !raised[stageOf]; show(); } },
    before: function () { look(-1); }, after: function () { look(1); },
    previous: function () { step(-1); }, next: function () { step(1); },
    resume: function () { go(left()[0]); },
    again: function () { kept(); panel("start"); byId("round").value = String(sheet.round + 1); byId("person").focus(); },
  };
  document.querySelectorAll("[data-do]").forEach(function (b) { b.addEventListener("click", function () { acts[b.dataset.do](); }); });
  document.querySelectorAll("#kinds button").forEach(function (b) { b.addEventListener("click", function () { choose(b.dataset.kind); stage.focus(); }); });
  function choose(k) { if (stageOf === "frames") { kind = k; offset = 0; show(); } }
  byId("who").addEventListener("submit", function (event) {
    event.preventDefault();
    const person = byId("person").value.trim(), round = Number(byId("round").value);
    const fault = !/^[\p{L}\p{N}][\p{L}\p{N} ._-]*$/u.test(person) ? "Give a name of letters and digits." : "";
    byId("who-fault").textContent = fault;
    if (fault) return byId("person").focus();
    begin(person, round, byId("with-outline").checked);
  });
  const KEYS = { "+": "in", "=": "in", "-": "out", "0": "fit", u: "undo", Backspace: "undo", x: "unclear", t: "tone", ",": "before", ".": "after", p: "previous", n: "next", PageUp: "previous", PageDown: "next", Enter: "place", " ": "place" };
  const MOVES = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  const PANS = { a: [1, 0], d: [-1, 0], w: [0, 1], s: [0, -1] };
  stage.addEventListener("keydown", function (event) {
    const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    if ((event.ctrlKey || event.metaKey) && key === "z") undo();
    else if (event.ctrlKey || event.metaKey || event.altKey) return;
    else if (key in MOVES) {
      const by = (event.shiftKey ? 20 : 2) / view.scale;
      cursor = inside([cursor[0] + by * MOVES[key][0], cursor[1] + by * MOVES[key][1]]);
      const s = toScreen(cursor), box = stage.getBoundingClientRect();
      pan(Math.max(0, 20 - s[0]) - Math.max(0, s[0] - box.width + 20), Math.max(0, 20 - s[1]) - Math.max(0, s[1] - box.height + 20));
    } else if (key in PANS) pan(60 * PANS[key][0], 60 * PANS[key][1]);
    else if (key === "i") { smooth = !smooth; draw(); }
    else if ("12345".includes(key)) choose(ENDS.concat("outline")[Number(key) - 1]);
    else if (key in KEYS) { if (!event.repeat || !["place", "unclear"].includes(KEYS[key])) acts[KEYS[key]](); }
    else return;
    event.preventDefault();
  });
  const down = new Map();
  let moved = false, pinch = null;
  function at(event) { const box = stage.getBoundingClientRect(); return [event.clientX - box.left, event.clientY - box.top]; }
  stage.addEventListener("pointerdown", function (event) {
    if (event.pointerType === "mouse" && event.button !== 0) return;
    stage.setPointerCapture(event.pointerId);
    down.set(event.pointerId, { start: at(event), last: at(event), cursor: cursor });
    if (down.size === 1) moved = false;
    if (down.size === 2) { moved = true; pinch = fingersApart(down); }
  });
  stage.addEventListener("pointermove", function (event) {
    const s = at(event), finger = event.pointerType === "touch", d = down.get(event.pointerId);
    if (!d) {
      if (!finger) { cursor = inside(toPicture(s)); draw(); }
      return;
    }
    const dx = s[0] - d.last[0], dy = s[1] - d.last[1];
    d.last = s;
    if (Math.hypot(s[0] - d.start[0], s[1] - d.start[1]) > 5) moved = true;
    if (down.size === 2 && pinch) {
      const now = fingersApart(down);
      pan(now.middle[0] - pinch.middle[0], now.middle[1] - pinch.middle[1]);
      zoom(now.gap / Math.max(pinch.gap, 1), now.middle);
      pinch = now;
    } else if (finger && moved && down.size === 1) {
      // Half as far as the finger, so that a line is placed finer than a finger is wide.
      cursor = inside([cursor[0] + dx / 2 / view.scale, cursor[1] + dy / 2 / view.scale]);
      draw();
    } else if (!finger && moved) pan(dx, dy);
  });
  function up(event) {
    const d = down.get(event.pointerId);
    if (!d) return;
    down.delete(event.pointerId);
    if (down.size === 0) pinch = null;
    if (moved || event.type === "pointercancel") return;
    cursor = inside(toPicture(at(event)));
    if (event.pointerType === "touch") draw(); else place();
  }
  stage.addEventListener("pointerup", up);
  stage.addEventListener("pointercancel", up);
  stage.addEventListener("wheel", function (event) {
    event.preventDefault();
    zoom(Math.exp(-event.deltaY * (event.deltaMode ? 0.05 : 0.0015)), at(event));
  }, { passive: false });
  // Words above that need a second line take room from the picture.
  new ResizeObserver(resize).observe(stage);
  kept();
})();
