// Holds two videos at the same phase of a repetition: 0 is its start, 50 the far end, 100 its end.
const beside = document.querySelector("[data-beside]");
if (beside) step(beside);

function step(beside) {
  const figures = [...beside.querySelectorAll("figure")];
  const slider = beside.querySelector("[data-phase]");
  const play = beside.querySelector("[data-play]");
  const choices = [...document.querySelectorAll("button[data-then]")];
  let spans = []; // [start, far end, end] in seconds, of then and of now

  function show(phase) {
    const way = wayOf(phase);
    slider.value = phase;
    slider.setAttribute("aria-valuetext", way);
    beside.querySelector("[data-now]").textContent = way;
    figures.forEach((figure, i) => {
      const time = momentOf(spans[i], phase / 100);
      figure.querySelector("[data-time]").textContent = `at ${time.toFixed(1)} s`;
      const video = figure.querySelector("video");
      if (video && !(playing() && video.seeking)) video.currentTime = time; // else it would never arrive
    });
  }

  function choose(button) {
    spans = [button.dataset.then, button.dataset.now].map((text) => text.split(" ").map(Number));
    for (const other of choices) other.setAttribute("aria-pressed", other === button);
    halt();
    show(0);
  }

  const playing = () => play.getAttribute("aria-pressed") === "true";
  const halt = () => play.setAttribute("aria-pressed", false);

  function run() {
    const took = 500 * (spans[0][2] - spans[0][0] + spans[1][2] - spans[1][0]); // ms, mean of the two
    const from = Number(slider.value) < 100 ? Number(slider.value) : 0;
    const begun = performance.now();
    const on = (now) => {
      if (!playing()) return;
      const phase = Math.min(100, from + (100 * Math.max(0, now - begun)) / took);
      if (phase === 100) halt();
      show(phase);
      requestAnimationFrame(on);
    };
    play.setAttribute("aria-pressed", true);
    requestAnimationFrame(on);
  }

  play.addEventListener("click", () => (playing() ? halt() : run()));
  slider.addEventListener("input", () => {
    halt();
    show(Number(slider.value));
  });
  for (const button of choices) {
    button.addEventListener("click", () => {
      choose(button);
      beside.scrollIntoView({ block: "nearest" }); // a phone shows not all of the page
    });
  }
  choose(choices[0]);
}

function wayOf(phase) {
  if (phase % 50 === 0) return ["start", "far end", "end"][phase / 50];
  return phase < 50 ? `way out, ${Math.round(2 * phase)} %` : `way back, ${Math.round(2 * phase - 100)} %`;
}

function momentOf([start, far, end], share) {
  return share < 0.5 ? start + 2 * share * (far - start) : far + (2 * share - 1) * (end - far);
}
