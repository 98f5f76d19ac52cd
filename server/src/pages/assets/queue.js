// For pages of a take: what to do while it waits or is being listened to.

/** Asks at `address` until the take has left the queue, then loads the page anew. */
export async function reloadOnceConformed(address) {
  for (let pause = 300; ; pause = Math.min(5000, pause * 1.2)) {
    await wait(pause);
    try {
      const answer = await fetch(address, { cache: "no-store" });
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

export function wait(ms) {
  return new Promise((wake) => setTimeout(wake, ms));
}
