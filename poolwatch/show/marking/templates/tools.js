"use strict";
// Drawing on the stage in screen px, the order of frames, and the marks as CSV; nothing here knows what is shown.
const MARKED_ENDS = ["front", "rear", "left", "right"];
const MARK_COLUMNS = ["clip_id", "settings_id", "seed", "drawn", "frame", "mark", "x_px", "y_px", "tone", "person", "round"];

function markingInk(pen) {
  function stroke(path, colour, width, dash) {
    for (const [c, w] of [["#000c", width + 2], [colour, width]]) {
      pen.beginPath();
      path();
      pen.strokeStyle = c;
      pen.lineWidth = w;
      pen.setLineDash(c === colour && dash ? dash : []);
      pen.stroke();
    }
    pen.setLineDash([]);
  }
  function words(text, x, y) {
    pen.font = "600 14px system-ui, sans-serif";
    pen.lineWidth = 4;
    pen.strokeStyle = "#000";
    pen.lineJoin = "round";
    pen.strokeText(text, x, y);
    pen.fillStyle = "#fff";
    pen.fillText(text, x, y);
  }
  function corners(s, reach, colour) {
    const r = reach, q = reach / 2;
    stroke(function () {
      for (const [i, j] of [[-1, -1], [1, -1], [1, 1], [-1, 1]]) {
        pen.moveTo(s[0] + i * r, s[1] + j * q);
        pen.lineTo(s[0] + i * r, s[1] + j * r);
        pen.lineTo(s[0] + i * q, s[1] + j * r);
      }
    }, colour, 1.5);
  }
  function travel(a, height) {
    const at = [34, height - 34];
    const tip = [at[0] + 20 * a[0], at[1] + 20 * a[1]], end = [at[0] - 20 * a[0], at[1] - 20 * a[1]];
    stroke(function () {
      pen.moveTo(end[0], end[1]); pen.lineTo(tip[0], tip[1]);
      for (const side of [1, -1]) {
        pen.moveTo(tip[0], tip[1]);
        pen.lineTo(tip[0] - 8 * a[0] - side * 6 * a[1], tip[1] - 8 * a[1] + side * 6 * a[0]);
      }
    }, "#fff", 2);
    words("travel", 62, height - 14);
  }
  return { stroke: stroke, words: words, corners: corners, travel: travel };
}

// A picture whose greys are looked up in a table.
function inOtherGreys(image, width, height, table) {
  const copy = document.createElement("canvas"), on = copy.getContext("2d");
  copy.width = width;
  copy.height = height;
  on.drawImage(image, 0, 0);
  const dots = on.getImageData(0, 0, width, height), v = dots.data;
  for (let i = 0; i < v.length; i += 4) v[i] = v[i + 1] = v[i + 2] = table[v[i]];
  on.putImageData(dots, 0, 0);
  return copy;
}

// Frames come in another order in each round, the same for the same seed and round.
function shuffled(list, seed) {
  let state = seed >>> 0;
  function next() {
    state = (state + 0x6d2b79f5) >>> 0;
    let t = Math.imul(state ^ (state >>> 15), 1 | state);
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  }
  const out = list.slice();
  for (let i = out.length - 1; i > 0; i--) {
    const j = Math.floor(next() * (i + 1));
    [out[i], out[j]] = [out[j], out[i]];
  }
  return out;
}

function cell(text) { return /[",\n]/.test(text) ? '"' + text.replace(/"/g, '""') + '"' : text; }
function markedCsv(data, sheet, frames) {
  const rows = [];
  function add(f, mark, p) {
    rows.push([data.clip_id, data.settings_id, String(data.seed), data.drawn, String(f), mark, p ? p[0].toFixed(3) : "", p ? p[1].toFixed(3) : "", p ? p[2] : "", sheet.person, String(sheet.round)]);
  }
  for (const f of frames.slice().sort(function (a, b) { return a - b; })) {
    const m = sheet.marks[f];
    if (m.unclear) { add(f, "unclear"); continue; }
    for (const k of MARKED_ENDS) add(f, k, m[k]);
    for (const p of m.outline || []) add(f, "outline", p);
  }
  if (sheet.runSeen) {
    for (const p of sheet.particles) add(p.frame, "particle", [p.x, p.y, p.tone]);
    add(data.run[0].frame, "run_seen");
  }
  return [MARK_COLUMNS].concat(rows).map(function (row) { return row.map(cell).join(","); }).join("\n") + "\n";
}

function download(clip, sheet, text) {
  const word = function (name) { return name.replace(/[^A-Za-z0-9_-]+/g, "-"); };
  const name = "handcheck-" + word(clip) + "-" + word(sheet.person) + "-round" + sheet.round + ".csv";
  const link = document.createElement("a"), address = URL.createObjectURL(new Blob([text], { type: "text/csv" }));
  link.href = address;
  link.download = name;
  link.click();
  setTimeout(function () { URL.revokeObjectURL(address); }, 10000);
  return name;
}

// Two fingers on the stage: their gap and the middle between them, screen px.
function fingersApart(down) {
  const [a, b] = Array.from(down.values()).map(function (d) { return d.last; });
  return { gap: Math.hypot(a[0] - b[0], a[1] - b[1]), middle: [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2] };
}
