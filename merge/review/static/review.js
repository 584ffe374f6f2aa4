"use strict";
/* The groups of a folder: what they are, what is being done with them, what came of it. */
document.documentElement.classList.add("js");
const byId = (id) => document.getElementById(id);
const rows = new Map();

/** An element with properties, attributes (in ``attributes``) and children; text stays text. */
function make(tag, properties = {}, ...children) {
  const { attributes, ...own } = properties;
  const element = Object.assign(document.createElement(tag), own);
  for (const [name, value] of Object.entries(attributes || {})) element.setAttribute(name, value);
  element.append(...children);
  return element;
}
async function ask(address, data) {
  const options = data === undefined ? {} : {
    method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(data),
  };
  const answer = await fetch(address, options);
  const told = await answer.json().catch(() => ({ error: "The program did not answer as expected." }));
  if (!answer.ok) throw new Error(told.error || `The program refused (${answer.status}).`);
  return told;
}
function complain(error) {
  const gone = error instanceof TypeError;
  byId("trouble").textContent = gone
    ? "The program has ended. Start 'depthweld review' again; finished pictures are kept." : error.message;
  byId("trouble").hidden = false;
}
function act(address) {
  byId("trouble").hidden = true;
  ask(address, {}).then(show, complain).then(hurry);
}
function makeRow(group) {
  const pictures = make("div", { className: "thumbs" });
  const few = group.frames.length <= 8 ? group.frames.map((_, k) => k)
    : [0, 1, 2, Math.floor(group.frames.length / 2), group.frames.length - 2, group.frames.length - 1];
  for (const k of few) {
    pictures.append(make("img", {
      src: `/thumbnail/${group.number}/${k}`, alt: group.frames[k], loading: "lazy", width: 110,
    }));
  }
  if (few.length < group.frames.length) {
    pictures.append(make("span", { className: "hint", textContent: `${group.frames.length} frames in all` }));
  }
  const parts = {
    buttons: make("div", { className: "repair-bar" }),
    work: make("div", { className: "work" }),
    found: make("ul", { className: "found" }),
  };
  const sure = `${Math.round(100 * group.certainty)} % sure`;
  const item = make("li", { className: "group", attributes: { "data-group": group.number } },
    make("h3", { textContent: group.name }),
    make("p", { className: "hint", textContent: `${group.kind}, ${group.frames.length} frames, ${sure}: ${group.reason}` }),
    pictures, parts.buttons, parts.work, parts.found);
  if (group.can_merge) {
    const number = group.number;
    parts.audit = make("button", { type: "button", textContent: "Check", onclick: () => act(`/audit/${number}`) });
    parts.merge = make("button", { type: "button", className: "chief", textContent: "Merge", onclick: () => act(`/merge/${number}`) });
    parts.cancel = make("button", { type: "button", textContent: "Stop", onclick: () => act(`/cancel/${number}`) });
    parts.open = make("button", { type: "button", textContent: "Open for repair", title: "Reads the frames again; writes nothing", onclick: () => act(`/open/${number}`) });
    parts.look = make("a", { className: "button", href: `/look/${number}`, textContent: "Look and repair" });
    parts.buttons.append(parts.audit, parts.merge, parts.cancel, parts.open, parts.look);
    parts.bar = make("progress", { max: 1, attributes: { "aria-label": `Progress of ${group.name}` } });
    parts.told = make("span", { attributes: { role: "status" } });
    parts.work.append(parts.bar, parts.told);
  }
  byId(group.can_merge ? "groups" : "other-groups").append(item);
  rows.set(group.number, parts);
  return parts;
}
const states = { waiting: "waiting for its turn", done: "done", cancelled: "stopped", failed: "failed" };
function showGroup(group) {
  const parts = rows.get(group.number) || makeRow(group);
  if (!group.can_merge) return;
  const { work } = group;
  const active = Boolean(work) && (work.state === "running" || work.state === "waiting");
  parts.audit.hidden = parts.merge.hidden = active;
  parts.merge.textContent = group.written ? "Merge again" : "Merge";
  parts.cancel.hidden = !active;
  parts.look.hidden = !group.open || active;
  parts.open.hidden = !group.written || group.open || active;
  parts.bar.hidden = !(work && work.state === "running");
  if (work && work.state === "running") parts.bar.value = work.share;
  const what = work ? { audit: "Check", merge: "Merge", open: "Open" }[work.task] : "";
  let told = "";
  if (work && work.state === "running") told = `${work.stage || "Starting"}…`;
  else if (work) told = `${what}: ${states[work.state]}${work.message ? `. ${work.message}` : ""}`;
  if (group.written && !active) told += `${told ? " · " : ""}written: ${group.written}${group.unsaved ? ", changes not saved" : ""}`;
  if (parts.told.textContent !== told) parts.told.textContent = told;
  const findings = JSON.stringify(group.findings);
  if (parts.shown === findings) return;
  parts.shown = findings;
  parts.found.replaceChildren(...(group.findings || []).map((finding) => make("li", { className: finding.severity },
    make("b", { textContent: finding.severity }), ` ${finding.message} ${finding.advice}`)));
  if (group.findings && !group.findings.length) parts.found.append(make("li", { textContent: "Nothing is wrong with this bracket." }));
}
function show(state) {
  const { finding, groups } = state;
  let text = `${finding.stage}… ${Math.round(100 * finding.share)} %`;
  if (finding.state === "failed") text = finding.message;
  if (finding.state === "done") {
    const count = groups.filter((group) => group.can_merge).length;
    const rest = groups.length - count;
    text = `${count || "No"} focus bracket${count === 1 ? "" : "s"}, ${rest} other group${rest === 1 ? "" : "s"}.`;
  }
  if (byId("finding").textContent !== text) byId("finding").textContent = text;
  groups.forEach(showGroup);
  byId("brackets").hidden = !groups.some((group) => group.can_merge);
  byId("others").hidden = !groups.some((group) => !group.can_merge);
  const busy = finding.state === "running"
    || groups.some((group) => group.work && ["running", "waiting"].includes(group.work.state));
  document.body.dataset.busy = busy ? "yes" : "";
  byId("merge-all").hidden = !groups.some((group) => group.can_merge && !group.written && !group.work);
  return busy;
}
let timer = null;
async function look() {
  timer = null;
  let wait = 4000;
  try {
    if (show(await ask("/state"))) wait = 400;
  } catch (error) {
    complain(error);
  }
  timer = setTimeout(look, wait);
}
/** Look again at once: something was asked for. */
function hurry() {
  if (timer !== null) {
    clearTimeout(timer);
    look();
  }
}
byId("merge-all").addEventListener("click", async () => {
  try {
    const { groups } = await ask("/state");
    for (const group of groups) {
      if (group.can_merge && !group.written && !group.work) await ask(`/merge/${group.number}`, {});
    }
  } catch (error) {
    complain(error);
  }
  hurry();
});
look();
