// Records from the microphone with the browser's own "improvements" switched off: echo
// cancelling, noise suppression and automatic gain are made for talking and spoil music.

const WANTED = {
  audio: {
    echoCancellation: false,
    noiseSuppression: false,
    autoGainControl: false,
    channelCount: { ideal: 1 },
  },
};

const KINDS = [
  ["audio/webm;codecs=opus", "webm"],
  ["audio/mp4", "m4a"],
  ["audio/ogg;codecs=opus", "ogg"],
];

/** Sets up the recorder inside `box`; `onTake(file)` is given each finished recording. */
export function setUpRecorder(box, onTake) {
  const start = box.querySelector("[data-start]");
  const stop = box.querySelector("[data-stop]");
  const says = box.querySelector("[data-says]");
  const level = box.querySelector("meter");
  const guide = box.querySelector("audio[data-guide]");
  const withGuide = box.querySelector("[data-with-guide]");
  if (!navigator.mediaDevices?.getUserMedia || !globalThis.MediaRecorder) {
    box.hidden = true;
    return;
  }
  let session = null;

  start.addEventListener("click", async () => {
    start.disabled = true;
    try {
      session = await begin(level);
    } catch {
      says.textContent =
        "The microphone could not be used. Allow it in the browser's settings, or record with " +
        "another program and choose the file above.";
      start.disabled = false;
      return;
    }
    stop.disabled = false;
    stop.focus();
    const changed = spoiled(session.stream);
    says.textContent = changed
      ? `Recording. This browser does not let us switch off its ${changed}; another program may sound better.`
      : "Recording. Leave a moment of silence, then play.";
    if (withGuide?.checked && guide) {
      guide.currentTime = 0;
      guide.play().catch(() => {});
    }
  });

  stop.addEventListener("click", async () => {
    stop.disabled = true;
    guide?.pause();
    const file = await session.end();
    session = null;
    start.disabled = false;
    start.focus();
    says.textContent = "Recorded. Listen to it below; you can record again or hand it in.";
    onTake(file);
  });
}

async function begin(level) {
  const stream = await navigator.mediaDevices.getUserMedia(WANTED);
  const [type, ending] = KINDS.find(([kind]) => MediaRecorder.isTypeSupported(kind)) ?? ["", "webm"];
  const recorder = new MediaRecorder(stream, type ? { mimeType: type, audioBitsPerSecond: 256_000 } : {});
  const parts = [];
  recorder.ondataavailable = (event) => event.data.size && parts.push(event.data);
  recorder.start(1000);
  const stopLevel = showLevel(stream, level);
  return {
    stream,
    end: () =>
      new Promise((resolve) => {
        recorder.onstop = () => {
          stopLevel();
          for (const track of stream.getTracks()) track.stop();
          const name = `recording-${new Date().toISOString().slice(0, 19).replace(/[:T]/g, "-")}.${ending}`;
          resolve(new File(parts, name, { type: (type || "audio/webm").split(";")[0] }));
        };
        recorder.stop();
      }),
  };
}

/** Which of the switches the browser left on, in words; nothing if all are off. */
function spoiled(stream) {
  const settings = stream.getAudioTracks()[0]?.getSettings?.() ?? {};
  const left = [
    ["echoCancellation", "echo cancelling"],
    ["noiseSuppression", "noise suppression"],
    ["autoGainControl", "automatic gain"],
  ].filter(([key]) => settings[key] === true);
  return left.map(([, words]) => words).join(" and ");
}

/** Moves the meter with the loudest sample of the last moment. */
function showLevel(stream, level) {
  const context = new AudioContext();
  const analyser = context.createAnalyser();
  analyser.fftSize = 2048;
  context.createMediaStreamSource(stream).connect(analyser);
  const samples = new Float32Array(analyser.fftSize);
  const timer = setInterval(() => {
    analyser.getFloatTimeDomainData(samples);
    let peak = 0;
    for (const sample of samples) peak = Math.max(peak, Math.abs(sample));
    level.value = Math.max(-60, 20 * Math.log10(peak || 1e-6));
  }, 100);
  return () => {
    clearInterval(timer);
    context.close();
    level.value = level.min;
  };
}
