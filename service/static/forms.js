// Sends a form marked data-send as JSON, shows what the server says, and goes on to data-then.
for (const form of document.querySelectorAll("form[data-send]")) {
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const data = Object.fromEntries(new FormData(form));
    for (const box of form.querySelectorAll("input[type=checkbox]")) data[box.name] = box.checked;
    if ("token" in form.dataset) data.token = location.hash.slice(1);
    const answer = await fetch(form.dataset.send, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: Object.keys(data).length ? JSON.stringify(data) : undefined,
    });
    if (answer.ok) location.assign(form.dataset.then);
    else form.querySelector("[role=alert]").textContent = problem(await answer.json());
  });
}

function problem(answer) {
  if (typeof answer.detail === "string") return answer.detail;
  return answer.detail.map((one) => `${one.loc.at(-1)}: ${one.msg}`).join("; ");
}
