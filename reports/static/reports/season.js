// Keeps the season's table where it was scrolled to while a visit is taken up, moved or put back.
"use strict";

let left = 0;

document.addEventListener("htmx:beforeSwap", () => {
  left = document.querySelector("#board .wide")?.scrollLeft ?? 0;
});
document.addEventListener("htmx:afterSwap", () => {
  const table = document.querySelector("#board .wide");
  if (table) table.scrollLeft = left;
});
