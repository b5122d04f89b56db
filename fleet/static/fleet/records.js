// Makes the record form quicker; without it everything works, a touch or two slower.
"use strict";

document.querySelectorAll("form[data-once]").forEach((form) => {
  // A form goes out once: a second touch while the network is slow does nothing.
  let sent = false;
  form.addEventListener("submit", (event) => {
    const silent = !navigator.onLine;
    if (sent || silent) event.preventDefault();
    form.querySelector(".offline").hidden = !silent;
    sent = !silent;
  });
  // The page may come back out of the browser's memory with the form as it was.
  addEventListener("pageshow", () => { sent = false; });

  // The key beside the last number leads on to the next one; only the button saves.
  form.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || event.target.tagName !== "INPUT") return;
    event.preventDefault();
    const after = (field) => event.target.compareDocumentPosition(field) & Node.DOCUMENT_POSITION_FOLLOWING;
    const writable = "input:not([type=hidden], [type=checkbox], [type=radio]), textarea, .go button";
    [...form.querySelectorAll(writable)].find((field) => after(field) && field.checkVisibility())?.focus();
  });

  // Minutes that are typed and minutes that are chosen undo each other.
  const typed = form.querySelector("[name=other_minutes]");
  const chosen = () => form.querySelectorAll("[name=minutes]");
  typed?.addEventListener("input", () => chosen().forEach((one) => { one.checked &&= !typed.value; }));
  chosen().forEach((one) => one.addEventListener("change", () => { typed.value = ""; }));
});

// The keypads of phones lack a minus: each signed number of a worksheet gets a button that says its side in words.
document.querySelectorAll("input[data-signed]").forEach((field) => {
  const button = document.createElement("button");
  const minus = () => /^\s*[-\u2212]/.test(field.value);
  const say = () => { button.textContent = minus() ? field.dataset.less : field.dataset.more; };
  button.type = "button";
  field.inputMode = "decimal";
  button.addEventListener("click", () => {
    field.value = minus() ? field.value.replace(/^\s*[-\u2212]/, "") : `-${field.value}`;
    say();
    field.dispatchEvent(new Event("change", { bubbles: true }));
    if (field.value === "-") field.focus();
  });
  field.addEventListener("input", say);
  field.after(button);
  say();
});

// Where something was refused, the reasons are read first.
document.getElementById("refused")?.focus();
