// tus-js-client uploads a file, is cut off in the middle, and a second one resumes it.

import { createReadStream, statSync } from "node:fs";
import * as tus from "tus-js-client";

const [base, file] = process.argv.slice(2);
const size = statSync(file).size;
const options = {
  endpoint: `${base}/uploads`,
  uploadSize: size,
  chunkSize: 500_000,
  metadata: { piece: "tide", filename: "take.wav", filetype: "audio/wav" },
};

const url = await new Promise((resolve, reject) => {
  const upload = new tus.Upload(createReadStream(file), {
    ...options,
    onError: reject,
    async onChunkComplete(_, accepted) {
      if (accepted < size / 2) return;
      await upload.abort();
      resolve(upload.url);
    },
  });
  upload.start();
});

const head = await fetch(url, { method: "HEAD", headers: { "Tus-Resumable": "1.0.0" } });
const resumedAt = Number(head.headers.get("upload-offset"));

await new Promise((resolve, reject) => {
  const upload = new tus.Upload(createReadStream(file), {
    ...options,
    uploadUrl: url,
    onError: reject,
    onSuccess: resolve,
  });
  upload.start();
});

process.stdout.write(JSON.stringify({ url, resumed_at: resumedAt }));
