// Resumable upload by the open tus protocol 1.0: parts of a clip are sent at their offset. After a dropped
// connection, or after the page was closed, it goes on where the server stands. Kept in the browser: only
// the upload's address.

const PART = 4 * 1024 * 1024; // bytes
const TUS = { "Tus-Resumable": "1.0.0" };
const LONGEST_WAIT = 30000; // ms

class Refused extends Error {}

for (const form of document.querySelectorAll("form[data-upload]")) {
  const look = { wait: null, held: false };
  for (const input of form.querySelectorAll("input[type=file]")) {
    const begin = () => input.files[0] && start(form, input.files[0], look);
    input.addEventListener("change", begin);
    begin(); // a clip may be chosen before this script has come
  }
  const hold = form.querySelector("[data-hold]");
  hold.addEventListener("click", () => {
    look.held = !look.held;
    hold.textContent = look.held ? "Go on" : "Pause";
    look.wake?.();
  });
}

async function start(form, file, look) {
  form.querySelector(".sending").hidden = false;
  for (const input of form.querySelectorAll("input")) input.disabled = true;
  form.querySelector("[role=alert]").textContent = "";
  try {
    const id = await carry(form, file, look);
    location.assign(`/clips/${id}`);
  } catch (error) {
    form.querySelector(".sending").hidden = true;
    for (const input of form.querySelectorAll("input")) input.disabled = false;
    form.querySelector("[role=alert]").textContent = error.message;
  }
}

async function carry(form, file, look) {
  const key = `upload ${form.dataset.item}${form.dataset.client} ${file.size} ${file.lastModified}`;
  for (let tries = 0; ; ) {
    try {
      await held(form, look);
      const url = localStorage.getItem(key) ?? (await announce(form, file, key));
      const state = await where(url);
      if (state?.state === "accepted") return done(key, state.id);
      if (state?.state === "refused") throw new Refused(state.reason);
      if (!state) localStorage.removeItem(key);
      else if (!(await sendFrom(form, file, url, state.offset, look))) await pause(1000, look);
      tries = 0;
    } catch (error) {
      if (error instanceof Refused) {
        localStorage.removeItem(key);
        throw error;
      }
      say(form, "The connection is gone. Sending goes on by itself where it stopped.");
      await pause(Math.min(LONGEST_WAIT, 500 * 2 ** tries++), look);
    }
  }
}

function done(key, id) {
  localStorage.removeItem(key);
  return id;
}

async function announce(form, file, key) {
  const { exercise, item, session, client } = form.dataset;
  const told = Object.entries({ exercise, item, session, client }).filter(([, value]) => value);
  const answer = await fetch("/api/uploads", {
    method: "POST",
    headers: {
      ...TUS,
      "Upload-Length": file.size,
      "Upload-Metadata": told.map(([name, value]) => `${name} ${btoa(value)}`).join(","),
    },
  });
  await check(answer);
  localStorage.setItem(key, answer.headers.get("Location"));
  return answer.headers.get("Location");
}

// Where an upload stands; null where the server no longer knows it.
async function where(url) {
  const answer = await fetch(`${url}/state`);
  if (answer.status === 404) return null;
  await check(answer);
  return answer.json();
}

// Sends part after part; false where another request is at it, or has just finished it. An empty part after
// the last one has a clip checked of which no answer came.
async function sendFrom(form, file, url, offset, look) {
  do {
    await held(form, look);
    show(form, offset / file.size);
    const answer = await fetch(url, {
      method: "PATCH",
      headers: { ...TUS, "Upload-Offset": offset, "Content-Type": "application/offset+octet-stream" },
      body: file.slice(offset, offset + PART),
    });
    if ([404, 409].includes(answer.status)) return false;
    await check(answer);
    offset = Number(answer.headers.get("Upload-Offset"));
  } while (offset < file.size);
  show(form, 1);
  return true;
}

async function check(answer) {
  if (answer.ok) return;
  if (answer.status >= 500 || answer.status === 429) throw new Error("busy");
  throw new Refused(problem(await answer.json()));
}

function show(form, share) {
  form.querySelector("progress").value = share;
  say(form, share < 1 ? `Sent: ${Math.floor(100 * share)} %` : "Sent. The clip is checked.");
}

function say(form, text) {
  form.querySelector("[role=status]").textContent = text;
}

async function held(form, look) {
  while (look.held) {
    say(form, "Paused.");
    await new Promise((wake) => (look.wake = wake));
  }
}

// Waits, or less where the connection comes back.
function pause(ms, look) {
  return new Promise((wake) => {
    look.wake = wake;
    setTimeout(wake, ms);
    addEventListener("online", wake, { once: true });
  });
}
