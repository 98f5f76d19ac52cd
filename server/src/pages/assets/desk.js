// The desk: shows how far renders are, and loads the page again when one is done or a take has
// left the queue.

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

for (const take of document.querySelectorAll("[data-take]")) watchTake(take.dataset.take);

async function watchTake(id) {
  for (let pause = 300; ; pause = Math.min(5000, pause * 1.2)) {
    await new Promise((wake) => setTimeout(wake, pause));
    try {
      const answer = await fetch(`/api/v1/takes/${id}`, { cache: "no-store" });
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
