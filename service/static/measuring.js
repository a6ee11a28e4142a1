// Shows how far a clip is, by server-sent events, and loads the page anew when it is measured.
const words = { queued: "Waiting to be measured.", measuring: "Measuring", video: "Making the video to watch" };
for (const place of document.querySelectorAll("[data-progress]")) {
  const events = new EventSource(place.dataset.progress);
  events.addEventListener("progress", (event) => {
    const job = JSON.parse(event.data);
    if (!["queued", "running"].includes(job.state)) {
      events.close();
      location.reload();
      return;
    }
    place.querySelector("progress").value = job.progress;
    const stage = words[job.stage] ?? "Measuring";
    const text = job.state === "queued" ? words.queued : `${stage}: ${Math.round(100 * job.progress)} %`;
    const status = place.querySelector("[role=status]");
    if (status.textContent !== text) status.textContent = text;
  });
}
