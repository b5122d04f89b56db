// Tells the style sheet that lists answer by themselves, so that the button beside them is not needed.
document.documentElement.classList.add("js");

// A part of a page that cannot be fetched would otherwise fail without a word.
for (const name of ["htmx:responseError", "htmx:sendError", "htmx:timeout"]) {
  document.addEventListener(name, () => { document.getElementById("unanswered").hidden = false; });
}
document.addEventListener("htmx:afterOnLoad", (event) => {
  if (event.detail.successful) document.getElementById("unanswered").hidden = true;
});
