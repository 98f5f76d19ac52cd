// Sends a file by the tus 1.0 protocol: in parts, each with its checksum, going on where it
// stopped after a lost network, a closed tab or a restart of the server.

const VERSION = "1.0.0";
const PART_BYTES = 2 * 1024 * 1024;
const LONGEST_WAIT_MS = 20_000;

/** A refusal that trying again will not change; `message` is a plain sentence for the reader. */
export class Refused extends Error {}

/** One file on its way. `onProgress({sent, total, secondsLeft, waiting})` is called as it goes. */
export class Sending {
  constructor(file, { endpoint, piece, onProgress }) {
    this.file = file;
    this.endpoint = endpoint;
    this.piece = piece;
    this.onProgress = onProgress;
    this.stopped = false;
    this.pace = new Pace();
  }

  /** Where this browser notes the upload's address, so that a later visit can go on with it. */
  get fingerprint() {
    const { name, size, lastModified } = this.file;
    return `ripieno upload ${this.piece} ${name} ${size} ${lastModified}`;
  }

  /** Sends all of it and gives the upload's address. */
  async run() {
    let tries = 0;
    for (;;) {
      try {
        const { url, offset } = await this.begin();
        await this.parts(url, offset, () => (tries = 0));
        return url;
      } catch (error) {
        if (this.stopped) throw new Refused("Stopped.");
        if (error instanceof Refused) throw error;
        tries += 1;
        this.report(null, true);
        await pauseFor(error.waitMs ?? Math.min(LONGEST_WAIT_MS, 500 * 2 ** tries));
      }
    }
  }

  /** Stops; what has arrived can be gone on with later. */
  stop() {
    this.stopped = true;
    this.request?.abort();
  }

  /** Stops and has the server throw away what it has. */
  async discard() {
    this.stop();
    const url = noted(this.fingerprint);
    forget(this.fingerprint);
    if (url) {
      await fetch(url, { method: "DELETE", headers: { "Tus-Resumable": VERSION } }).catch(() => {});
    }
  }

  /** To be called when the take has been handed in. */
  finished() {
    forget(this.fingerprint);
  }

  async begin() {
    const url = noted(this.fingerprint);
    if (url) {
      const answer = await fetch(url, {
        method: "HEAD",
        headers: { "Tus-Resumable": VERSION },
        cache: "no-store",
      });
      if (answer.ok) return { url, offset: Number(answer.headers.get("Upload-Offset")) };
      if (answer.status >= 500 || answer.status === 429) throw await failure(answer);
      forget(this.fingerprint);
    }
    const answer = await fetch(this.endpoint, {
      method: "POST",
      headers: {
        "Tus-Resumable": VERSION,
        "Upload-Length": String(this.file.size),
        "Upload-Metadata": metadata({
          piece: this.piece,
          filename: this.file.name,
          filetype: this.file.type,
        }),
      },
    });
    if (!answer.ok) throw await failure(answer);
    const made = new URL(answer.headers.get("Location"), location.href).href;
    note(this.fingerprint, made);
    return { url: made, offset: 0 };
  }

  async parts(url, start, onPart) {
    let offset = start;
    this.pace.restart(offset);
    this.report(offset, false);
    while (offset < this.file.size) {
      const part = this.file.slice(offset, offset + PART_BYTES);
      const headers = {
        "Tus-Resumable": VERSION,
        "Upload-Offset": String(offset),
        "Content-Type": "application/offset+octet-stream",
      };
      const bytes = await part.arrayBuffer().catch(() => {
        throw new Refused("The file can no longer be read on this device. Choose it once more.");
      });
      const sum = await checksum(bytes);
      if (sum) headers["Upload-Checksum"] = sum;
      if (this.stopped) throw new Refused("Stopped.");
      offset = await this.patch(url, headers, bytes, offset);
      onPart();
      this.report(offset, false);
    }
  }

  patch(url, headers, bytes, offset) {
    return new Promise((resolve, reject) => {
      const request = new XMLHttpRequest();
      this.request = request;
      request.open("PATCH", url);
      for (const [name, value] of Object.entries(headers)) request.setRequestHeader(name, value);
      request.timeout = 120_000;
      request.upload.onprogress = (event) => this.report(offset + event.loaded, false);
      request.onerror = request.ontimeout = request.onabort = () => reject(new Error("network"));
      request.onload = () => {
        if (request.status === 204) {
          resolve(Number(request.getResponseHeader("Upload-Offset")));
        } else {
          const wait = request.getResponseHeader("Retry-After");
          reject(refusalOf(request.status, request.responseText, wait, OF_A_PART));
        }
      };
      request.send(bytes);
    });
  }

  report(sent, waiting) {
    if (sent !== null) this.sent = sent;
    const total = this.file.size;
    const at = this.sent ?? 0;
    this.onProgress?.({
      sent: at,
      total,
      secondsLeft: waiting ? null : this.pace.secondsLeft(at, total),
      waiting,
    });
  }
}

/** Bytes a second, smoothed over some seconds. */
class Pace {
  restart(sent) {
    this.from = { at: performance.now(), sent };
    this.perSecond = null;
  }

  secondsLeft(sent, total) {
    const now = performance.now();
    const took = (now - this.from.at) / 1000;
    if (took > 0.5) {
      const speed = Math.max(0, sent - this.from.sent) / took;
      const share = this.perSecond === null ? 1 : Math.min(1, took / 5);
      this.perSecond = share * speed + (1 - share) * (this.perSecond ?? 0);
      this.from = { at: now, sent };
    }
    return this.perSecond > 0 ? (total - sent) / this.perSecond : null;
  }
}

async function failure(answer) {
  const text = await answer.text().catch(() => "");
  return refusalOf(answer.status, text, answer.headers.get("Retry-After"), []);
}

// Of a part these pass too: a wrong offset is asked for anew, an upload that is gone is begun
// again, a damaged part is sent again.
const OF_A_PART = [404, 409, 410, 460];

function refusalOf(status, text, retryAfter, more) {
  const passing = status >= 500 || [408, 423, 429, ...more].includes(status);
  if (passing && status !== 507) {
    const error = new Error(`status ${status}`);
    if (retryAfter) error.waitMs = Math.min(60, Number(retryAfter) || 1) * 1000;
    if (status === 409 || status === 460) error.waitMs = 50;
    return error;
  }
  let says = "The server did not take the file.";
  try {
    says = JSON.parse(text).detail ?? says;
  } catch {
    // Not one of our own answers; the general sentence stands.
  }
  return new Refused(says);
}

function pauseFor(ms) {
  return new Promise((resolve) => {
    const wake = () => {
      clearTimeout(timer);
      removeEventListener("online", wake);
      resolve();
    };
    const timer = setTimeout(wake, ms);
    addEventListener("online", wake);
  });
}

/** tus metadata: key and Base64 of the UTF-8 value, joined by commas. */
function metadata(pairs) {
  return Object.entries(pairs)
    .filter(([, value]) => value)
    .map(([key, value]) => `${key} ${base64(new TextEncoder().encode(value))}`)
    .join(",");
}

function base64(bytes) {
  let text = "";
  for (const byte of bytes) text += String.fromCharCode(byte);
  return btoa(text);
}

/** SHA-1 as tus writes it; nothing where the browser keeps its cryptography for TLS alone. */
async function checksum(bytes) {
  if (!globalThis.crypto?.subtle) return null;
  const sum = await crypto.subtle.digest("SHA-1", bytes);
  return `sha1 ${base64(new Uint8Array(sum))}`;
}

// Private windows may forbid storage: then an upload just cannot be gone on with later.
function noted(key) {
  try {
    return localStorage.getItem(key);
  } catch {
    return null;
  }
}

function note(key, value) {
  try {
    localStorage.setItem(key, value);
  } catch {
    // See above.
  }
}

function forget(key) {
  try {
    localStorage.removeItem(key);
  } catch {
    // See above.
  }
}
