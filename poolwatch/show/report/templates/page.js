"use strict";
(function () {
  // Frames and pictures: the video holds segments of frames, each frame for `hold` pictures.
  function frameAt(segment, place) {
    return segment.frames ? segment.frames[place] : segment.from + place * segment.step;
  }
  function nearest(segment, frame) {
    if (!segment.frames) {
      return Math.min(segment.count - 1, Math.max(0, Math.round((frame - segment.from) / segment.step)));
    }
    let low = 0, high = segment.count - 1;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (segment.frames[middle] <= frame) low = middle; else high = middle;
    }
    return Math.abs(segment.frames[high] - frame) < Math.abs(segment.frames[low] - frame) ? high : low;
  }
  function pictureOf(map, frame) {
    let best = null;
    for (const segment of map.segments) {
      const place = nearest(segment, frame), off = Math.abs(frameAt(segment, place) - frame);
      if (best === null || off < best.off) best = { off: off, picture: segment.picture + place * segment.hold };
    }
    return best === null ? null : best.picture;
  }
  function frameOf(map, picture) {
    let found = null;
    for (const segment of map.segments) if (picture >= segment.picture) found = segment;
    if (found === null) return null;
    return frameAt(found, Math.min(found.count - 1, Math.floor((picture - found.picture) / found.hold)));
  }
  function niceStep(least) {
    const power = Math.pow(10, Math.floor(Math.log10(least)));
    for (const m of [1, 2, 5]) if (m * power >= least * (1 - 1e-9)) return m * power;
    return 10 * power;
  }

  function attach(watch) {
    const series = watch.querySelector(".series");
    const data = JSON.parse(series.querySelector("script.data").textContent);
    const video = watch.querySelector("video"), scrub = series.querySelector(".scrub");
    const cursor = series.querySelector(".cursor"), axis = series.querySelector(".axis");
    const plots = series.querySelectorAll(".plot svg"), now = series.querySelectorAll(".now");
    const readout = series.querySelector(".readout output");
    const span = data.last - data.first, map = data.video;
    let view = [data.first, data.last], frame = data.first, moving = false;

    function draw(quiet) {
      const share = (frame - view[0]) / (view[1] - view[0]);
      cursor.style.left = (100 * share) + "%";
      cursor.style.display = share < 0 || share > 1 ? "none" : "";
      const row = Math.min(data.frames.length - 1, Math.max(0, Math.round((frame - data.first) / data.stride)));
      data.values.forEach(function (values, lane) {
        const value = values[row];
        now[lane].textContent = value === null || value === undefined ? "–" : value.toFixed(data.places[lane]).replace("-", "−");
      });
      const status = data.status[frame];
      const text = "t = " + (1000 * frame / data.rate).toFixed(3) + " ms, frame " + frame +
        (status ? ", not measured: " + status.replace(/_/g, " ") : "");
      if (!quiet) readout.textContent = text;
      scrub.setAttribute("aria-valuenow", frame);
      scrub.setAttribute("aria-valuetext", text);
      series.classList.add("live");
    }
    function go(to) {
      frame = Math.min(data.last, Math.max(data.first, Math.round(to)));
      draw(false);
      if (video && map.segments.length) {
        const picture = pictureOf(map, frame);
        if (picture === null) return;
        moving = true;
        video.pause();
        const seek = function () { video.currentTime = (picture + 0.5) / map.rate; };
        if (video.readyState >= 1) seek();
        else { video.addEventListener("loadedmetadata", seek, { once: true }); video.preload = "auto"; video.load(); }
      }
    }
    function place(event) {
      const box = scrub.getBoundingClientRect();
      go(view[0] + (event.clientX - box.left) / box.width * (view[1] - view[0]));
    }
    function zoom(factor) {
      const half = factor ? Math.max(4, (view[1] - view[0]) / factor / 2) : span;
      let low = frame - half, high = frame + half;
      if (high - low >= span) { low = data.first; high = data.last; }
      if (low < data.first) { high += data.first - low; low = data.first; }
      if (high > data.last) { low -= high - data.last; high = data.last; }
      view = [low, high];
      const x = 1000 * (low - data.first) / span, w = 1000 * (high - low) / span;
      plots.forEach(function (svg) { svg.setAttribute("viewBox", x + " 0 " + w + " 100"); });
      const perMs = data.rate / 1000, step = niceStep((high - low) / perMs / 8);
      axis.textContent = "";
      for (let k = Math.ceil(low / perMs / step - 1e-9); k * step * perMs <= high + 1e-9; k++) {
        if ((k * step * perMs - low) / (high - low) > 0.94) break;  // its number would be cut off
        const mark = document.createElement("span");
        mark.style.left = (100 * (k * step * perMs - low) / (high - low)) + "%";
        mark.textContent = (k * step).toFixed(Math.max(0, -Math.floor(Math.log10(step) + 1e-9)));
        axis.appendChild(mark);
      }
      if (axis.lastChild) axis.lastChild.textContent += " ms";
      draw(false);
    }

    scrub.addEventListener("pointerdown", function (event) {
      if (event.button !== 0) return;
      scrub.setPointerCapture(event.pointerId);
      place(event);
    });
    scrub.addEventListener("pointermove", function (event) { if (scrub.hasPointerCapture(event.pointerId)) place(event); });
    scrub.addEventListener("keydown", function (event) {
      const steps = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -span / 50, PageUp: span / 50 };
      if (event.key in steps) go(frame + steps[event.key]);
      else if (event.key === "Home") go(data.first);
      else if (event.key === "End") go(data.last);
      else if (event.key === "+") zoom(2);
      else if (event.key === "-") zoom(0.5);
      else if (event.key === " " && video) { if (video.paused) video.play(); else video.pause(); }
      else return;
      event.preventDefault();
    });
    series.querySelectorAll("button[data-zoom]").forEach(function (button) {
      button.addEventListener("click", function () { zoom(Number(button.dataset.zoom)); });
    });
    if (video && map.segments.length) {
      const follow = function (time) {
        const found = frameOf(map, Math.floor(time * map.rate + 0.001));
        if (found !== null) { frame = found; draw(!video.paused); }
      };
      // After a jump the cursor stays where it was put: the nearest picture may be some frames away.
      video.addEventListener("play", function () { moving = false; });
      if (video.requestVideoFrameCallback) {
        const each = function (_, shown) {
          if (!moving) follow(shown.mediaTime);
          video.requestVideoFrameCallback(each);
        };
        video.requestVideoFrameCallback(each);
      } else video.addEventListener("timeupdate", function () { if (!moving) follow(video.currentTime); });
      video.addEventListener("pause", function () { if (!moving) draw(false); });
      video.addEventListener("seeking", function () { if (document.activeElement === video) moving = false; });
    }
  }

  document.querySelectorAll("video").forEach(function (video) {
    const say = function () {
      const words = video.parentNode.querySelector(".gone");
      if (words) words.hidden = false;
    };
    video.querySelectorAll("source").forEach(function (source) { source.addEventListener("error", say); });
    video.addEventListener("loadedmetadata", function () {
      video.parentElement.style.setProperty("--high", video.videoHeight / video.videoWidth);
    });
  });
  // A clip is wired up when it is opened, its video then loads its first picture.
  function ready(watch) {
    if (watch.dataset.ready) return;
    watch.dataset.ready = "1";
    attach(watch);
    const video = watch.querySelector("video");
    const still = watch.querySelector("img.still-frame");
    // The video's own picture; on a phone the one whose letters are large enough there.
    const phone = window.matchMedia("(max-width: 40rem)").matches;
    const poster = video && (phone && still ? still.src : video.dataset.poster);
    if (poster) video.poster = poster;
    else if (video) video.preload = "metadata";
  }
  document.querySelectorAll(".watch").forEach(function (watch) {
    const clip = watch.closest("details.clip");
    if (!clip) ready(watch);
    else clip.addEventListener("toggle", function () { if (clip.open) ready(watch); });
  });
  function openLinked() {
    const target = location.hash.length > 1 && document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (target && target.matches("details")) { target.open = true; target.scrollIntoView(); }
  }
  window.addEventListener("hashchange", openLinked);
  openLinked();
  window.addEventListener("beforeprint", function () {
    document.querySelectorAll("details").forEach(function (piece) { piece.open = true; });
  });
})();
