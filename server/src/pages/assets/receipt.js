// The receipt with scripts: shows the verdict as soon as it is there, has the take mixed a little
// louder in the crowd, and copies the page's address.

import "./listen.js";
import { reloadOnceConformed, wait } from "./queue.js";

const verdict = document.getElementById("verdict");
const copy = document.querySelector("[data-copy]");
const louder = document.getElementById("louder");

if (["received", "conforming"].includes(verdict.dataset.state)) {
  reloadOnceConformed(`/api/v1/receipts/${verdict.dataset.token}`);
}

copy?.addEventListener("click", async () => {
  const said = document.getElementById("copied");
  try {
    await navigator.clipboard.writeText(location.href);
    said.textContent = "Copied.";
  } catch {
    said.textContent = "It could not be copied; take it from the address line.";
  }
});

louder?.addEventListener("submit", async (event) => {
  event.preventDefault();
  const says = document.getElementById("louder-says");
  const sound = document.getElementById("louder-sound");
  const button = louder.querySelector("button");
  button.disabled = true;
  says.textContent = "Being mixed …";
  try {
    sound.src = await mixed(new FormData(louder).get("section"));
    sound.hidden = false;
    says.textContent = "Ready.";
    await sound.play().catch(() => {});
  } catch (error) {
    says.textContent = error.message || "It could not be mixed just now. Try again in a while.";
  } finally {
    button.disabled = false;
  }
});

/** Has a section mixed with this take louder; gives the sound's address. */
async function mixed(section) {
  const asked = await fetch(louder.dataset.ask, {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify({ section }),
  });
  let body = await asked.json();
  if (!asked.ok) throw new Error(body.detail);
  const address = asked.headers.get("Location");
  while (["queued", "rendering"].includes(body.state)) {
    await wait(500);
    const answer = await fetch(address, { cache: "no-store" });
    body = await answer.json();
    if (!answer.ok) throw new Error(body.detail);
  }
  if (!body.sound) throw new Error("");
  return body.sound;
}
