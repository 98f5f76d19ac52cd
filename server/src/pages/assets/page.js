// For every page: says that scripts run, and shows times in the reader's own time zone.
"use strict";

document.documentElement.classList.add("with-script");

document.addEventListener("DOMContentLoaded", () => {
  for (const time of document.querySelectorAll("time[data-local]")) {
    const at = new Date(time.dateTime);
    if (Number.isNaN(at.getTime())) continue;
    time.textContent = new Intl.DateTimeFormat(navigator.language, {
      weekday: "long",
      day: "numeric",
      month: "long",
      year: "numeric",
      hour: "2-digit",
      minute: "2-digit",
      timeZoneName: "short",
    }).format(at);
  }
  // A form that takes something away asks once more.
  for (const form of document.querySelectorAll("form[data-confirm]")) {
    form.addEventListener("submit", (event) => {
      if (!window.confirm(form.dataset.confirm)) event.preventDefault();
    });
  }
});
