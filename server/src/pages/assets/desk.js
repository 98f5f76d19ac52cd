// The desk: shows how far renders are, and loads the page again when one is done or a take has
// left the queue.

import { reloadOnceConformed } from "./queue.js";

for (const article of document.querySelectorAll("[data-render]")) {
  const bar = article.querySelector("progress");
  const doing = article.querySelector("[data-doing]");
  const events = new EventSource(`/api/v1/renders/${article.dataset.render}/progress`);
  events.addEventListener("progress", (event) => {
    const render = JSON.parse(event.data);
    bar.value = render.progress * 100;
    doing.textContent = render.doing;
    if (!["queued", "rendering"].includes(render.state)) {
      events.close();
      location.reload();
    }
  });
}

for (const take of document.querySelectorAll("[data-take]")) {
  reloadOnceConformed(`/api/v1/takes/${take.dataset.take}`);
}
