// Plays a take together with the guide, both on the one clock of the sound card, so that what is
// heard together was played together.

const listen = document.getElementById("listen");

if (listen) setUpListening();

function setUpListening() {
  const says = document.getElementById("listen-says");
  const stop = listen.querySelector("[data-stop]");
  const from = document.getElementById("from");
  const sounds = new Map();
  let context = null;
  let playing = [];

  listen.querySelector("[data-together]")?.addEventListener("click", () => together(listen.dataset));
  for (const button of document.querySelectorAll("[data-try]")) {
    button.addEventListener("click", () => together(button.dataset));
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

  /** Plays take and guide from a place of the piece; `bar1` is where bar 1 lies in the take. */
  async function together({ bar1, ratioPpm }) {
    halt();
    context ??= new AudioContext();
    await context.resume();
    tell("Fetching …");
    try {
      const [take, guide, guideBar1] = await Promise.all([
        sound(listen.dataset.recording),
        sound(listen.dataset.guide),
        marks(),
      ]);
      const pieceFrom = Number(from?.value ?? 0);
      const ratio = 1 + Number(ratioPpm ?? 0) * 1e-6;
      const at = context.currentTime + 0.15;
      start(take, at, Number(bar1) + pieceFrom * ratio, 1, ratio);
      start(guide, at, guideBar1 + pieceFrom, 0.6, 1);
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
    source.start(at + Math.max(0, -offset / rate), Math.max(0, offset));
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

  async function marks() {
    const marks = await (await fetch(listen.dataset.marks)).json();
    return marks.bar1_beat1_sample / marks.sample_rate;
  }
}
