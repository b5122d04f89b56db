// Makes the record form quicker; without it everything works, a touch or two slower.
"use strict";

// A form goes out once: a second touch while the network is slow does nothing.
document.querySelectorAll("form[data-once]").forEach((form) => {
  let sent = false;
  form.addEventListener("submit", (event) => {
    if (sent) event.preventDefault();
    sent = true;
  });
  // The page may come back out of the browser's memory with the form as it was.
  addEventListener("pageshow", () => { sent = false; });
});

// Where something was refused, the reasons are read first.
document.getElementById("refused")?.focus();
