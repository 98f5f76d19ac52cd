// A service of its own for each test file, with a short piece and takes to send to it.

import { spawn } from "node:child_process";
import { mkdtemp, readFile, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import path from "node:path";
import { fileURLToPath } from "node:url";

const ROOT = path.resolve(path.dirname(fileURLToPath(import.meta.url)), "../..");
const PROGRAM = process.env.RIPIENO_PROGRAM ?? path.join(ROOT, "target/debug/ripieno");

export const PIECE = `
slug = "tide"
title = "A Short Tide"
about = """
Twelve bars that come in and go out again, to be played on anything.
"""
composer_credit = "The Test Harbour"
last_bar = 12
deadline = "2099-06-20T23:59:00+01:00"
time_zone = "Europe/Lisbon"
wanted = ["Low voices for the Ebb.", "Bells of any size."]

[key]
tonic = "G"
mode = "mixolydian"

[[metre]]
bar = 1
metre = "4/4"

[[tempo]]
at = "1"
bpm = 120

[marks]
opening_bar = -1
closing_bar = 14

[[sections]]
name = "Flood"
first_bar = 1
last_bar = 8
chords = "G | F | C | G"

[[sections]]
name = "Ebb"
first_bar = 9
last_bar = 12
played_fade = true
chords = "G | F"
`;

/** Starts the program on a free port and an empty data folder. */
export async function startService({ folder, port = 0, settings = {} } = {}) {
  const home = folder ?? (await mkdtemp(path.join(tmpdir(), "ripieno-browser-")));
  const set = Object.entries({ upload_starts_per_minute: 0, log: "warn", ...settings });
  const args = ["serve", "--listen", `127.0.0.1:${port}`, "--data-dir", home];
  for (const [name, value] of set) args.push("--set", `${name}=${value}`);
  const child = spawn(PROGRAM, args, { stdio: ["ignore", "pipe", "inherit"] });
  const base = await new Promise((resolve, reject) => {
    let said = "";
    child.stdout.on("data", (chunk) => {
      said += chunk;
      const found = said.match(/Serving at (http:\/\/[\d.:]+)/);
      if (found) resolve(found[1]);
    });
    child.on("exit", (code) => reject(new Error(`the service ended with ${code}: ${said}`)));
  });
  const token = (await readFile(path.join(home, "organiser.token"), "utf8")).trim();
  const service = {
    base,
    token,
    home,
    port: Number(new URL(base).port),
    api: (method, where, options = {}) =>
      fetch(`${base}${where}`, {
        method,
        ...options,
        headers: { Authorization: `Bearer ${token}`, ...options.headers },
      }),
    async stop({ keep = false } = {}) {
      const ended = new Promise((resolve) => child.once("exit", resolve));
      child.removeAllListeners("exit");
      child.once("exit", () => {});
      child.kill("SIGTERM");
      await Promise.race([ended, new Promise((resolve) => child.once("exit", resolve))]);
      if (!keep) await rm(home, { recursive: true, force: true });
    },
    async kill() {
      child.removeAllListeners("exit");
      const ended = new Promise((resolve) => child.once("exit", resolve));
      child.kill("SIGKILL");
      await ended;
    },
  };
  return service;
}

/** Makes the short piece, and waits for its guide pack. */
export async function makePiece(service) {
  const made = await service.api("POST", "/api/v1/pieces", {
    headers: { "Content-Type": "application/toml" },
    body: PIECE,
  });
  if (made.status !== 201) throw new Error(await made.text());
  return until(async () => {
    const marks = await fetch(`${service.base}/api/v1/pieces/tide/pack/marks.json`);
    return marks.ok ? marks.json() : null;
  });
}

/** Asks again and again until there is something. */
export async function until(ask, seconds = 180) {
  const end = Date.now() + seconds * 1000;
  while (Date.now() < end) {
    const found = await ask();
    if (found) return found;
    await new Promise((wake) => setTimeout(wake, 200));
  }
  throw new Error("it did not happen in time");
}

/**
 * A take as a WAV: talk-like noise, the opening mark (unless `mark` is false), then a short tone
 * on every beat, each a little off, as people play.
 */
export async function makeTake(service, marks, { mark = true, seed = 1 } = {}) {
  const rate = marks.sample_rate;
  const beats = 12 * 4;
  const perBeat = rate / 2;
  const lead = 2 * rate;
  const start = lead + (marks.bar1_beat1_sample - marks.opening.sample);
  const samples = new Float64Array(start + beats * perBeat + 2 * rate);
  const random = noise(seed);
  for (let i = 0; i < samples.length; i += 1) samples[i] += (random() - 0.5) * 0.002;
  if (mark) {
    const file = await fetch(`${service.base}/api/v1/pieces/tide/pack/${marks.opening.file}`);
    const sound = readWav(Buffer.from(await file.arrayBuffer()));
    const at = lead - Math.round(marks.opening.origin_sample);
    sound.forEach((value, i) => (samples[at + i] += value * 0.4));
  }
  const notes = [196, 174.61, 261.63, 196];
  for (let beat = 0; beat < beats; beat += 1) {
    const late = Math.round((random() + random() + random() - 1.5) * 0.02 * rate);
    const hz = notes[Math.floor(beat / 4) % 4] * (beat % 2 ? 1.5 : 1);
    const at = start + beat * perBeat + late;
    for (let i = 0; i < perBeat; i += 1) {
      const t = i / rate;
      const shape = Math.min(1, t / 0.004) * Math.exp(-6 * t);
      samples[at + i] += 0.5 * shape * (Math.sin(2 * Math.PI * hz * t) + 0.4 * Math.sin(4 * Math.PI * hz * t));
    }
  }
  return writeWav(samples, rate);
}

function noise(seed) {
  let state = seed >>> 0;
  return () => {
    state = (Math.imul(state, 1664525) + 1013904223) >>> 0;
    return state / 2 ** 32;
  };
}

/** The samples of a WAV's first channel: 16, 24 or 32 bit, or float. */
function readWav(buffer) {
  let at = 12;
  let format;
  while (at + 8 <= buffer.length) {
    const name = buffer.toString("latin1", at, at + 4);
    const length = buffer.readUInt32LE(at + 4);
    if (name === "fmt ") {
      const tag = buffer.readUInt16LE(at + 8);
      const extended = tag === 0xfffe ? buffer.readUInt16LE(at + 8 + 24) : tag;
      format = { tag: extended, channels: buffer.readUInt16LE(at + 10), bits: buffer.readUInt16LE(at + 22) };
    }
    if (name === "data") {
      const step = (format.bits / 8) * format.channels;
      const samples = [];
      for (let i = at + 8; i + step <= Math.min(buffer.length, at + 8 + length); i += step) {
        if (format.tag === 3) samples.push(buffer.readFloatLE(i));
        else samples.push(buffer.readIntLE(i, format.bits / 8) / 2 ** (format.bits - 1));
      }
      return samples;
    }
    at += 8 + length + (length % 2);
  }
  throw new Error("no samples in this WAV");
}

function writeWav(samples, rate) {
  const wav = Buffer.alloc(44 + samples.length * 2);
  wav.write("RIFF", 0, "latin1");
  wav.writeUInt32LE(36 + samples.length * 2, 4);
  wav.write("WAVEfmt ", 8, "latin1");
  wav.writeUInt32LE(16, 16);
  wav.writeUInt16LE(1, 20);
  wav.writeUInt16LE(1, 22);
  wav.writeUInt32LE(rate, 24);
  wav.writeUInt32LE(rate * 2, 28);
  wav.writeUInt16LE(2, 32);
  wav.writeUInt16LE(16, 34);
  wav.write("data", 36, "latin1");
  wav.writeUInt32LE(samples.length * 2, 40);
  samples.forEach((value, i) => {
    const clipped = Math.max(-1, Math.min(1, value));
    wav.writeInt16LE(Math.round(clipped * 32767), 44 + i * 2);
  });
  return wav;
}

/** Hands a take in by the interface and waits for the verdict; gives its receipt's token. */
export async function handIn(service, wav, fields = {}) {
  const form = new FormData();
  const all = {
    name: "Ada Quay",
    instrument: "two-row melodeon",
    place: "Slipway",
    consent_recording: "on",
    consent_credit: "on",
    consent_version: "1",
    ...fields,
  };
  for (const [name, value] of Object.entries(all)) form.append(name, value);
  form.append("recording", new Blob([wav]), "take.wav");
  const answer = await fetch(`${service.base}/api/v1/pieces/tide/takes`, { method: "POST", body: form });
  const made = await answer.json();
  if (!answer.ok) throw new Error(JSON.stringify(made));
  const receipt = await verdict(service, made.receipt_token);
  return { ...made, receipt };
}

/** The receipt once the take has left the queue. */
export function verdict(service, token) {
  return until(async () => {
    const answer = await fetch(`${service.base}/api/v1/receipts/${token}`);
    const receipt = await answer.json();
    return ["received", "conforming"].includes(receipt.state) ? null : receipt;
  });
}
