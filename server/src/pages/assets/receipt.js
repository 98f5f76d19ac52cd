// The receipt with scripts: shows the verdict as soon as it is there, plays the take together with
// the guide or the crowd, and copies the page's address.

const verdict = document.getElementById("verdict");
const copy = document.querySelector("[data-copy]");
const listen = document.getElementById("listen");

if (["received", "conforming"].includes(verdict.dataset.state)) watch(verdict.dataset.token);

/** Asks until the take has left the queue, then loads the page anew. */
async function watch(token) {
  for (let pause = 500; ; pause = Math.min(5000, pause * 1.3)) {
    await new Promise((wake) => setTimeout(wake, pause));
    try {
      const answer = await fetch(`/api/v1/receipts/${token}`, { cache: "no-store" });
      const { state } = await answer.json();
      if (!["received", "conforming"].includes(state)) {
        location.reload();
        return;
      }
    } catch {
      // The network is away; the next look finds it again.
    }
  }
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

if (listen) setUpListening();

function setUpListening() {
  const says = document.getElementById("listen-says");
  const stop = listen.querySelector("[data-stop]");
  const from = document.getElementById("from");
  const sounds = new Map();
  let context = null;
  let playing = [];

  for (const button of listen.querySelectorAll("[data-together]")) {
    button.addEventListener("click", () => together(button.dataset.together, listen.dataset.bar1, Number(from.value)));
  }
  for (const button of document.querySelectorAll("[data-try]")) {
    button.addEventListener("click", () => together("guide", button.dataset.bar1, from ? Number(from.value) : 0));
  }
  stop?.addEventListener("click", halt);

  function tell(text) {
    if (says) says.textContent = text;
  }

  function halt() {
    for (const source of playing) source.stop();
    playing = [];
    if (stop) stop.disabled = true;
    tell("");
  }

  /** Plays take and backing from a place of the piece, both on the one clock of the sound card. */
  async function together(backing, bar1, pieceFrom) {
    halt();
    context ??= new AudioContext();
    await context.resume();
    tell("Fetching …");
    try {
      const [take, other, otherBar1] = await Promise.all([
        sound(listen.dataset.recording),
        sound(backing === "crowd" ? listen.dataset.crowd : listen.dataset.guide),
        backing === "crowd" ? -Number(listen.dataset.crowdStarts) : guideBar1(),
      ]);
      const ratio = 1 + Number(listen.dataset.ratioPpm ?? 0) * 1e-6;
      const at = context.currentTime + 0.15;
      start(take, at, Number(bar1) + pieceFrom * ratio, backing === "crowd" ? 0.8 : 1, ratio);
      start(other, at, otherBar1 + pieceFrom, backing === "crowd" ? 0.9 : 0.6, 1);
      if (stop) stop.disabled = false;
      tell("Playing.");
    } catch {
      tell("This browser cannot decode one of the files. Listen to them one by one.");
    }
  }

  function start(buffer, at, offset, level, rate) {
    const source = context.createBufferSource();
    source.buffer = buffer;
    source.playbackRate.value = rate;
    const gain = context.createGain();
    gain.gain.value = level;
    source.connect(gain).connect(context.destination);
    // A take that begins after this place joins in when it begins.
    source.start(at + Math.max(0, -offset), Math.max(0, offset));
    playing.push(source);
  }

  async function sound(address) {
    if (!sounds.has(address)) {
      const answer = await fetch(address);
      if (!answer.ok) throw new Error(`status ${answer.status}`);
      sounds.set(address, await context.decodeAudioData(await answer.arrayBuffer()));
    }
    return sounds.get(address);
  }

  async function guideBar1() {
    const marks = await (await fetch(listen.dataset.marks)).json();
    return marks.bar1_beat1_sample / marks.sample_rate;
  }
}
