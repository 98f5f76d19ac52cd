// For every page: says that scripts run, and shows times in the reader's own time zone.
"use strict";

document.documentElement.classList.add("with-script");

const SHORT = { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" };
const LONG = { ...SHORT, weekday: "long", month: "long", year: "numeric", timeZoneName: "short" };

document.addEventListener("DOMContentLoaded", () => {
  for (const time of document.querySelectorAll("time[data-local]")) {
    const at = new Date(time.dateTime);
    if (Number.isNaN(at.getTime())) continue;
    const parts = time.dataset.local === "short" ? SHORT : LONG;
    time.textContent = new Intl.DateTimeFormat(navigator.language, parts).format(at);
  }
  // A form that takes something away asks once more.
  for (const form of document.querySelectorAll("form[data-confirm]")) {
    form.addEventListener("submit", (event) => {
      if (!window.confirm(form.dataset.confirm)) event.preventDefault();
    });
  }
});
