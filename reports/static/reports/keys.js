// Keys that lead from page to page: g and then the letter of a page, ? for the list of them all.
// Nothing happens in fields, nor together with keys of the browser, nor where the reader has switched them off.
(() => {
  const list = document.getElementById("keys");
  const opener = document.querySelector("[data-keys-open]");
  if (!list || !opener) return;
  const OFF = "keys-off";
  const WAIT_MS = 1500;
  const choice = list.querySelector("[data-keys-on]");
  let begun = 0;

  const off = () => {
    try { return localStorage.getItem(OFF) === "1"; } catch { return false; }
  };
  const keep = (isOff) => {
    try { localStorage.setItem(OFF, isOff ? "1" : "0"); } catch { /* kept for this page only */ }
  };
  const typing = (target) => target.closest("input, select, textarea, dialog, [contenteditable]") !== null;

  choice.checked = !off();
  choice.addEventListener("change", () => keep(!choice.checked));
  opener.hidden = false;
  opener.addEventListener("click", () => list.showModal());

  document.addEventListener("keydown", (event) => {
    const second = begun && event.timeStamp - begun < WAIT_MS;
    begun = 0;
    if (event.ctrlKey || event.altKey || event.metaKey || event.isComposing || typing(event.target)) return;
    if (!choice.checked) return;
    if (event.key === "?") {
      event.preventDefault();
      list.showModal();
    } else if (second) {
      const link = document.querySelector(`.pages a[data-key="${CSS.escape(event.key)}"]`);
      if (link) {
        event.preventDefault();
        link.click();
      }
    } else if (event.key === "g") {
      begun = event.timeStamp;
    }
  });
})();
