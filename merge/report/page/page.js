/* What every page does; shell.py puts this and the scripts named beside it into one function. */
const root = document.documentElement;
root.classList.add("js");
const byId = (id) => document.getElementById(id);
const clamp = (value, low, high) => Math.min(Math.max(value, low), high);
const percent = (share) => `${Math.round(100 * share)} %`;

/* ---- the run as text ---- */
const everything = byId("everything");
if (everything) {
  everything.addEventListener("toggle", () => {
    const shown = byId("json-text");
    if (everything.open && !shown.textContent) {
      shown.textContent = JSON.stringify(JSON.parse(byId("run-data").textContent), null, 2);
    }
  });
}

/* ---- strips that are wider than the page: which ends have more ---- */
for (const strip of document.querySelectorAll(".along")) {
  const tell = () => {
    const rest = strip.scrollWidth - strip.clientWidth - strip.scrollLeft;
    const ends = [strip.scrollLeft > 1 ? "before" : "", rest > 1 ? "after" : ""];
    strip.dataset.more = ends.filter(Boolean).join(" ");
  };
  strip.addEventListener("scroll", tell, { passive: true });
  new ResizeObserver(tell).observe(strip);
}

window.addEventListener("beforeprint", () => {
  for (const details of document.querySelectorAll("details:not(#everything)")) details.open = true;
});
