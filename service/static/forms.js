// Sends a form marked data-send as JSON, shows what the server says, and goes on to data-then.
// data-method: other than POST; data-done: says so then; data-show: shows that part of the answer once;
// data-save: saves it as a file; data-sure: asks first. Names with dots make nested values; empty numbers
// are left out. The page waits for this script, so that no form can be sent without it: the browser's own
// way would put what was typed, a password too, into the address.
document.addEventListener("submit", async (event) => {
  const form = event.target;
  if (!("send" in form.dataset)) return;
  event.preventDefault();
  if (form.ariaBusy || (form.dataset.sure && !confirm(form.dataset.sure))) return;
  form.ariaBusy = "true"; // until the answer is shown or another page comes: nothing is sent twice
  try {
    if (await send(form, event.submitter)) return;
  } catch {
    tell(form, "The server cannot be reached. Try again.");
  }
  form.ariaBusy = null;
});

addEventListener("pageshow", () => { // a page that the Back button brings back as it was left
  for (const form of document.querySelectorAll("form[aria-busy]")) form.ariaBusy = null;
});

const OWN_TIME = new Intl.DateTimeFormat("en-GB", {
  weekday: "short", day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit",
});

addEventListener("DOMContentLoaded", () => {
  for (const time of document.querySelectorAll("time")) time.textContent = OWN_TIME.format(new Date(time.dateTime));
  for (const form of document.querySelectorAll("form[data-done]")) {
    tell(form, sessionStorage.getItem(form.dataset.send) ?? "", "status");
    sessionStorage.removeItem(form.dataset.send);
  }
});

// Whether another page comes.
async function send(form, button) {
  const data = valuesOf(form, button);
  if ("token" in form.dataset) data.token = location.hash.slice(1);
  tell(form, "");
  const answer = await fetch(form.dataset.send, {
    method: form.dataset.method ?? "POST",
    headers: { "Content-Type": "application/json" },
    body: Object.keys(data).length ? JSON.stringify(data) : undefined,
  });
  if (!answer.ok) tell(form, problem(await answer.json()));
  else if (form.dataset.show) show(form, (await answer.json())[form.dataset.show]);
  else if (form.dataset.save) save(await answer.blob(), form.dataset.save);
  else if (form.dataset.then === "reload") {
    if (form.dataset.done) sessionStorage.setItem(form.dataset.send, `✓ ${form.dataset.done}`);
    location.reload();
  } else location.assign(form.dataset.then);
  return answer.ok && "then" in form.dataset;
}

function valuesOf(form, button) {
  const data = {};
  for (const field of form.elements) {
    if (!field.name || (field.type === "radio" && !field.checked)) continue;
    if (field.tagName === "BUTTON" && field !== button) continue;
    put(data, field);
  }
  return data;
}

function put(data, field) {
  const path = field.name.split(".");
  const last = path.pop();
  const place = path.reduce((inner, key) => (inner[key] ??= {}), data);
  if ("list" in field.dataset) {
    place[last] ??= [];
    if (field.checked) place[last].push(Number(field.value));
  } else if (field.type === "checkbox") place[last] = field.checked;
  else if (field.dataset.type === "bool") place[last] = field.value === "yes";
  else if (field.type === "number" || field.dataset.type === "number") {
    if (field.value !== "") place[last] = Number(field.value);
  } else if (field.tagName === "BUTTON" && ["true", "false"].includes(field.value)) place[last] = field.value === "true";
  else place[last] = field.value;
}

function show(form, text) {
  const whole = text.startsWith("/") ? new URL(text, location.href).href : text; // a link to send to others
  tell(form, whole, "status");
  const copy = form.querySelector("[data-copy]");
  copy.hidden = !navigator.clipboard; // only where the connection is safe
  copy.textContent = "Copy it";
  copy.onclick = async () => {
    await navigator.clipboard.writeText(whole);
    copy.textContent = "✓ Copied";
  };
}

function save(blob, name) {
  const link = Object.assign(document.createElement("a"), { href: URL.createObjectURL(blob), download: name });
  link.click();
  URL.revokeObjectURL(link.href);
}

function tell(form, text, role = "alert") {
  const place = form.querySelector(`[role=${role}]`);
  if (place) place.textContent = text;
}

function problem(answer) {
  if (typeof answer.detail === "string") return answer.detail;
  const ours = "Value error, "; // before what our own checks say, which needs no name of a field
  return answer.detail.map(({ loc, msg }) => (msg.startsWith(ours) ? msg.slice(ours.length) : `${loc.at(-1)}: ${msg}`)).join("; ");
}
