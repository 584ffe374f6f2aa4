"use strict";
/* Keys pressed before a page can act on them are kept and pressed again when it can. */
(() => {
  const kept = [];
  const keep = (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.defaultPrevented) return;
    kept.push(event.key);
  };
  window.addEventListener("keydown", keep);
  window.pressEarlyKeys = () => {
    window.removeEventListener("keydown", keep);
    for (const key of kept) {
      const target = document.activeElement || document.body;
      target.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true, cancelable: true }));
    }
  };
})();
