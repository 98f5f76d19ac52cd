// The call: plays the preview from a section.

const preview = document.getElementById("preview");

for (const button of document.querySelectorAll("[data-play-from]")) {
  button.addEventListener("click", () => {
    const from = Number(button.dataset.playFrom);
    const seek = () => {
      preview.currentTime = from;
      preview.play().catch(() => {});
    };
    if (preview.readyState >= HTMLMediaElement.HAVE_METADATA) {
      seek();
    } else {
      preview.addEventListener("loadedmetadata", seek, { once: true });
      preview.load();
    }
  });
}
