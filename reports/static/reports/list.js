// Choosing many rows of a list: all on the page, how many, and by the arrow keys from one to the next.
"use strict";

const boxes = () => [...document.querySelectorAll('#bulk input[name="chosen"]')];

function count() {
  const bulk = document.querySelector("#bulk");
  if (!bulk || !bulk.querySelector("#how-many")) return;
  const all = boxes(), chosen = all.filter((box) => box.checked).length;
  const every = bulk.querySelector('input[name="every"]').checked;
  bulk.querySelector("#how-many").textContent = every ? "" : `(${chosen})`;
  const whole = bulk.querySelector("#whole-leaf");
  whole.checked = all.length > 0 && chosen === all.length;
  whole.indeterminate = chosen > 0 && chosen < all.length;
}

document.addEventListener("change", (event) => {
  if (event.target.id === "whole-leaf") for (const box of boxes()) box.checked = event.target.checked;
  if (event.target.closest("#bulk")) count();
});

// Up and down go from box to box; with Shift they carry the tick along.
document.addEventListener("keydown", (event) => {
  const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
  if (!step || event.target.name !== "chosen") return;
  const all = boxes(), next = all[all.indexOf(event.target) + step];
  if (!next) return;
  event.preventDefault();
  if (event.shiftKey) next.checked = event.target.checked;
  next.focus();
  count();
});

document.addEventListener("htmx:afterSwap", count);
count();
