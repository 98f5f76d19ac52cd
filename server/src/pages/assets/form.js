// The form with scripts: checks what was typed before anything is sent, sends files in resumable
// parts, and keeps what was typed over a closed tab. Without scripts the form is a plain one.

import { Refused, Sending } from "./upload.js";
import { setUpRecorder } from "./recorder.js";

const form = document.getElementById("take");
const picker = form.querySelector("input[type=file]");
const drop = form.querySelector(".drop");
const chosen = document.getElementById("chosen");
const panel = document.getElementById("sending");
const panelSays = document.getElementById("sending-says");
const panelList = panel.querySelector("ul");
const piece = form.dataset.piece;
const draftKey = `ripieno draft ${piece}`;
const kept = ["name", "credit", "instrument", "family", "players", "place", "institution", "email"];

let files = [];

// What was typed stays on this device until it is handed in; consents are asked for every time.
restoreDraft();
form.addEventListener("input", saveDraft);

const minor = form.elements.namedItem("minor");
const guardian = document.getElementById("guardian");
minor.addEventListener("change", showGuardian);
showGuardian();

picker.addEventListener("change", () => {
  add([...picker.files]);
  picker.value = "";
});

for (const kind of ["dragenter", "dragover"]) {
  drop.addEventListener(kind, (event) => {
    event.preventDefault();
    drop.classList.add("over");
  });
}
drop.addEventListener("dragleave", () => drop.classList.remove("over"));
drop.addEventListener("drop", (event) => {
  event.preventDefault();
  drop.classList.remove("over");
  add([...event.dataTransfer.files]);
});

setUpRecorder(document.getElementById("recorder"), (file) => add([file]));

// A second press while the first is at work changes nothing.
let busy = false;
form.addEventListener("submit", async (event) => {
  event.preventDefault();
  if (busy) return;
  busy = true;
  try {
    clearMistakes();
    const mistakes = await check();
    if (mistakes.length > 0) showMistakes(mistakes);
    else await sendAll();
  } finally {
    busy = false;
  }
});

function add(more) {
  const most = Number(form.dataset.mostBytes);
  for (const file of more) {
    if (file.size === 0) {
      showMistakes([{ pointer: "/recording", what: `the file “${file.name}” is empty`, instead: "choose it again; on a phone it may not have been saved yet" }]);
    } else if (file.size > most) {
      showMistakes([{ pointer: "/recording", what: `the file “${file.name}” has ${bytes(file.size)}`, instead: `keep to ${bytes(most)}, for instance as FLAC` }]);
    } else {
      files.push(file);
    }
  }
  showChosen();
}

/** The chosen files, each to listen to and to take out again. */
function showChosen() {
  chosen.replaceChildren(
    ...files.map((file, index) => {
      const item = document.createElement("li");
      const name = document.createElement("bdi");
      name.textContent = file.name;
      const size = document.createElement("span");
      size.className = "soft";
      size.textContent = ` ${bytes(file.size)} `;
      const out = document.createElement("button");
      out.type = "button";
      out.className = "quiet";
      out.textContent = "Take out";
      out.setAttribute("aria-label", `Take out ${file.name}`);
      out.addEventListener("click", () => {
        files.splice(index, 1);
        showChosen();
        picker.focus();
      });
      const sound = document.createElement("audio");
      sound.controls = true;
      sound.preload = "none";
      sound.src = URL.createObjectURL(file);
      sound.setAttribute("aria-label", `Listen to ${file.name}`);
      item.append(name, size, out, sound);
      return item;
    }),
  );
  // The files live here, not in the picker, which would ask for one again.
  picker.required = files.length === 0;
}

function showGuardian() {
  guardian.hidden = !minor.checked;
  guardian.querySelector("input").required = minor.checked;
}

/** All mistakes, the server's and a missing file, in the order of the form. */
async function check() {
  const fields = {};
  for (const [name, value] of new FormData(form)) {
    if (typeof value === "string") fields[name] = value;
  }
  const mistakes = [];
  if (files.length === 0) {
    mistakes.push({ pointer: "/recording", what: "there is no recording", instead: "choose the file of your recording" });
  }
  let answer;
  try {
    answer = await fetch(form.dataset.check, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(fields),
    });
  } catch {
    // No network now: the upload waits for it, and the form is checked when it is handed in.
    return mistakes;
  }
  if (answer.ok) return mistakes;
  const problem = await answer.json().catch(() => ({}));
  if (problem.mistakes?.length) return [...mistakes, ...problem.mistakes];
  return [...mistakes, { pointer: "", what: problem.detail ?? "the form could not be checked", instead: "" }];
}

function showMistakes(mistakes) {
  const box = document.getElementById("mistakes");
  const list = box.querySelector("ul");
  list.replaceChildren(
    ...mistakes.map((mistake) => {
      const field = (mistake.pointer ?? "").replace(/^\//, "");
      const input = document.getElementById(`f-${field}`);
      const says = sentence(mistake);
      const item = document.createElement("li");
      if (input) {
        input.setAttribute("aria-invalid", "true");
        input.setAttribute("aria-describedby", `e-${field}`);
        const place = document.getElementById(`e-${field}`);
        if (place) place.textContent = says;
        const link = document.createElement("a");
        link.href = `#f-${field}`;
        link.textContent = says;
        item.append(link);
      } else {
        item.textContent = says;
      }
      return item;
    }),
  );
  box.hidden = false;
  box.tabIndex = -1;
  box.focus();
  box.scrollIntoView({ block: "start" });
}

function clearMistakes() {
  document.getElementById("mistakes").hidden = true;
  for (const input of form.querySelectorAll("[aria-invalid]")) {
    input.removeAttribute("aria-invalid");
    input.removeAttribute("aria-describedby");
  }
  for (const place of form.querySelectorAll(".wrong")) place.textContent = "";
}

function sentence({ what, instead }) {
  const start = what.charAt(0).toUpperCase() + what.slice(1);
  return instead ? `${start}; ${instead}.` : start;
}

/**
 * Sends one file after the other, then goes to the receipt, or lists the receipts. Where nothing
 * was taken the form comes back and says why.
 */
async function sendAll() {
  form.hidden = true;
  panel.hidden = false;
  panelList.replaceChildren();
  document.getElementById("sending-title").focus();
  const receipts = [];
  const refusals = [];
  for (const file of files) {
    const line = progressLine(file);
    try {
      const receipt = await sendOne(file, line);
      receipts.push(receipt);
      line.done(receipt);
    } catch (error) {
      const refused = error instanceof Refused;
      line.failed(refused ? error.message : NOT_SENT);
      refusals.push(...(error.mistakes ?? [{ pointer: "/recording", what: refused ? error.message : NOT_SENT }]));
    }
  }
  if (receipts.length === files.length) forgetDraft();
  if (files.length === 1 && receipts.length === 1) {
    location.assign(receipts[0].receipt_url);
  } else if (receipts.length > 0) {
    panelSays.textContent = "Keep these links: each leads to one of your takes, and nobody else has them.";
  } else {
    panel.hidden = true;
    form.hidden = false;
    showMistakes(refusals);
  }
}

const NOT_SENT = "It could not be sent. Load this page again and choose the same file: it goes on where it stopped.";

async function sendOne(file, line) {
  const sending = new Sending(file, {
    endpoint: form.dataset.uploads,
    piece,
    onProgress: (state) => line.show(state),
  });
  line.onStop(() => sending.discard());
  const upload = await sending.run();
  line.says("Arrived. Handing it in …");
  const receipt = await handIn(upload);
  sending.finished();
  return receipt;
}

/** Hands a finished upload in with the form; tried again while the network is away. */
async function handIn(upload) {
  const fields = new FormData();
  for (const [name, value] of new FormData(form)) {
    if (typeof value === "string" && name !== "submission") fields.append(name, value);
  }
  fields.append("upload", upload);
  fields.append("submission", upload);
  for (let tries = 0; ; tries += 1) {
    let answer;
    try {
      answer = await fetch(form.dataset.takes, { method: "POST", body: fields });
    } catch {
      await new Promise((wake) => setTimeout(wake, Math.min(20_000, 500 * 2 ** tries)));
      continue;
    }
    const body = await answer.json().catch(() => ({}));
    if (answer.ok) return body;
    if (answer.status >= 500 && answer.status !== 507 && tries < 8) {
      await new Promise((wake) => setTimeout(wake, 1000 * 2 ** tries));
      continue;
    }
    const refused = new Refused(body.detail ?? "The server did not take the form.");
    if (body.mistakes?.length) refused.mistakes = body.mistakes;
    throw refused;
  }
}

/** One file's line in the list of what is on its way. */
function progressLine(file) {
  const item = document.createElement("li");
  const name = document.createElement("bdi");
  name.className = "name";
  name.textContent = file.name;
  const bar = document.createElement("progress");
  bar.max = file.size;
  bar.value = 0;
  bar.setAttribute("aria-label", `How much of ${file.name} has been sent`);
  const says = document.createElement("p");
  says.className = "number";
  const stop = document.createElement("button");
  stop.type = "button";
  stop.className = "quiet";
  stop.textContent = "Stop and throw away";
  item.append(name, bar, says, stop);
  panelList.append(item);
  let announced = -1;
  return {
    show({ sent, total, secondsLeft, waiting }) {
      bar.value = sent;
      const percent = Math.floor((sent / total) * 100);
      says.textContent = waiting
        ? `${bytes(sent)} of ${bytes(total)} are safe. Waiting for the network; it goes on by itself.`
        : `${bytes(sent)} of ${bytes(total)}${secondsLeft === null ? "" : `, ${timeLeft(secondsLeft)} left`}`;
      // A screen reader is told every tenth, not every packet.
      const tenth = waiting ? -2 : Math.floor(percent / 10);
      if (tenth !== announced) {
        announced = tenth;
        panelSays.textContent = waiting ? "Waiting for the network; it goes on by itself." : `${percent} % sent.`;
      }
    },
    says(text) {
      says.textContent = text;
      panelSays.textContent = text;
    },
    done(receipt) {
      stop.remove();
      const link = document.createElement("a");
      link.href = receipt.receipt_url;
      link.textContent = "Your receipt";
      says.replaceChildren("Handed in. ", link);
      panelSays.textContent = "Handed in.";
    },
    failed(text) {
      stop.remove();
      says.className = "wrong";
      says.textContent = text;
      panelSays.textContent = text;
    },
    onStop(action) {
      stop.addEventListener("click", action);
    },
  };
}

function bytes(count) {
  for (const [unit, name] of [[2 ** 30, "GiB"], [2 ** 20, "MiB"], [2 ** 10, "KiB"]]) {
    if (count >= unit) return `${(count / unit).toFixed(1)} ${name}`;
  }
  return `${count} bytes`;
}

function timeLeft(seconds) {
  if (seconds < 60) return `${Math.max(1, Math.ceil(seconds))} s`;
  if (seconds < 3600) return `${Math.ceil(seconds / 60)} min`;
  return `${(seconds / 3600).toFixed(1)} h`;
}

function saveDraft() {
  const draft = Object.fromEntries(kept.map((name) => [name, form.elements.namedItem(name)?.value]));
  try {
    localStorage.setItem(draftKey, JSON.stringify(draft));
  } catch {
    // A private window may forbid it; then nothing is kept.
  }
}

function restoreDraft() {
  try {
    const draft = JSON.parse(localStorage.getItem(draftKey) ?? "{}");
    for (const name of kept) {
      const input = form.elements.namedItem(name);
      if (draft[name] && input && (!input.value || name === "players")) input.value = draft[name];
    }
  } catch {
    // As above.
  }
}

function forgetDraft() {
  try {
    localStorage.removeItem(draftKey);
  } catch {
    // As above.
  }
}
