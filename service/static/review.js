// Ties video, body lines, curves and findings to one moment of the clip [s].
const viewer = document.querySelector("[data-viewer]");
if (viewer) tie(viewer);

function tie(viewer) {
  if ("unseen" in viewer.dataset) fetch(`/api/clips/${viewer.dataset.viewer}/seen`, { method: "POST" });
  const end = Number(viewer.dataset.end);
  const video = viewer.querySelector("video");
  const scrub = viewer.querySelector("[data-scrub]");
  const plots = [...viewer.querySelectorAll("[data-plot]")];
  const lines = video && bodyLines(viewer, video);
  let at = 0;

  function show(time) {
    at = time;
    scrub.value = time;
    scrub.setAttribute("aria-valuetext", `${time.toFixed(1)} seconds`);
    viewer.querySelector("[data-now]").textContent = `${time.toFixed(1)} s`;
    for (const plot of plots) {
      const cursor = plot.querySelector(".cursor");
      cursor.hidden = false;
      cursor.style.left = `${(100 * Math.min(time, end)) / end}%`;
    }
    for (const field of document.querySelectorAll("[data-moment]")) field.value = time.toFixed(1);
    lines?.draw(time);
  }

  function seek(time) {
    const there = Math.max(0, Math.min(end, time));
    if (video) video.currentTime = there;
    show(there);
    history.replaceState(null, "", `#t=${there.toFixed(2)}`);
  }

  if (video) {
    const follow = (_now, frame) => {
      if (!video.paused) show(frame.mediaTime); // paused, the moment asked for counts: a frame may begin before it
      video.requestVideoFrameCallback(follow);
    };
    if (video.requestVideoFrameCallback) video.requestVideoFrameCallback(follow);
    for (const kind of ["timeupdate", "seeked"]) video.addEventListener(kind, () => show(video.currentTime));
  }
  scrub.addEventListener("input", () => seek(Number(scrub.value)));
  for (const plot of plots) dragging(plot, (share) => seek(share * end));
  for (const button of viewer.querySelectorAll("[data-step]")) {
    button.addEventListener("click", () => seek(at + Number(button.dataset.step)));
  }
  for (const button of document.querySelectorAll("[data-seek]")) {
    button.addEventListener("click", () => {
      video?.pause();
      seek(Number(button.dataset.seek));
      viewer.querySelector(".stage").scrollIntoView({ block: "nearest" }); // a phone shows not all of the viewer
    });
  }
  const kept = /^#t=([\d.]+)$/.exec(location.hash);
  if (kept && video && video.readyState < 1) {
    video.addEventListener("loadedmetadata", () => seek(Number(kept[1])), { once: true });
  } else if (kept) seek(Number(kept[1]));
  else show(0);
}

function dragging(plot, to) {
  const move = (event) => {
    const box = plot.getBoundingClientRect();
    to((event.clientX - box.left) / box.width);
  };
  plot.addEventListener("pointerdown", (event) => {
    plot.setPointerCapture(event.pointerId);
    plot.addEventListener("pointermove", move);
    move(event);
  });
  for (const kind of ["pointerup", "pointercancel"]) {
    plot.addEventListener(kind, () => plot.removeEventListener("pointermove", move));
  }
}

// Landmark numbers of the pose model: trunk, then left limbs (solid), then right limbs (dashed).
const TRUNK = [[11, 12], [23, 24], [11, 23], [12, 24]];
const LEFT = [[11, 13], [13, 15], [23, 25], [25, 27], [27, 31]];
const RIGHT = LEFT.map((bone) => bone.map((joint) => joint + 1));
const LONGEST_GAP = 0.5; // s; over a longer gap nothing is drawn: nothing was seen

function bodyLines(viewer, video) {
  const canvas = viewer.querySelector("canvas");
  const button = viewer.querySelector("[data-lines]");
  const state = { track: null, shown: true, at: 0 };
  const draw = (time) => {
    state.at = time;
    paint(canvas, video, state.shown ? poseAt(state.track, time) : null);
  };
  button.addEventListener("click", () => {
    state.shown = !state.shown;
    button.setAttribute("aria-pressed", state.shown);
    draw(state.at);
  });
  fetch(`/api/clips/${viewer.dataset.viewer}/track`)
    .then((answer) => (answer.ok ? answer.json() : null))
    .then((track) => {
      state.track = track;
      viewer.dataset.track = track ? "there" : "none";
      draw(state.at);
    });
  addEventListener("resize", () => draw(state.at));
  video.addEventListener("loadeddata", () => draw(state.at));
  return { draw };
}

function poseAt(track, time) {
  if (!track?.time_s.length) return null;
  let low = 0;
  let high = track.time_s.length - 1;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (track.time_s[middle] <= time) low = middle;
    else high = middle - 1;
  }
  const next = Math.min(low + 1, track.time_s.length - 1);
  const near = Math.abs(track.time_s[next] - time) < Math.abs(track.time_s[low] - time) ? next : low;
  return Math.abs(track.time_s[near] - time) > LONGEST_GAP ? null : track.points[near];
}

function paint(canvas, video, points) {
  canvas.width = video.clientWidth * devicePixelRatio;
  canvas.height = video.clientHeight * devicePixelRatio;
  if (!points) return;
  const pen = canvas.getContext("2d");
  const colours = getComputedStyle(document.documentElement);
  const bones = (list, name, dash) => {
    for (const [colour, width] of [["#000a", 5], [colours.getPropertyValue(name), 3]]) {
      pen.strokeStyle = colour;
      pen.lineWidth = width * devicePixelRatio;
      pen.setLineDash(dash.map((part) => part * devicePixelRatio));
      for (const [a, b] of list) if (points[a] && points[b]) line(pen, canvas, points[a], points[b]);
    }
  };
  bones(TRUNK, "--overlay-trunk", []);
  bones(LEFT, "--overlay-left", []);
  bones(RIGHT, "--overlay-right", [7, 4]);
}

function line(pen, canvas, a, b) {
  pen.beginPath();
  pen.moveTo(a[0] * canvas.width, a[1] * canvas.height);
  pen.lineTo(b[0] * canvas.width, b[1] * canvas.height);
  pen.stroke();
}
