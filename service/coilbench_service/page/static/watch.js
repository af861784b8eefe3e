// States of takes as they change, without loading the page anew.
//
// Anything with data-take and data-state is watched while its take waits. When a state changes, the regions of the page
// (data-region) are fetched again as the server renders them, so that there is one definition of how a take looks.
import { announce } from "./problem.js";

const EVERY_MS = 1000;
const AT_ONCE = 100;
const FINAL = new Set(["measured", "rejected", "failed"]);
const WORDS = { measured: "is measured", rejected: "can't be measured", failed: "failed here" };
let timer = null;

export function watch() {
  if (timer === null && unfinished().length) {
    timer = setTimeout(look, EVERY_MS);
  }
}

export const isFinal = (state) => FINAL.has(state);

function unfinished() {
  const waiting = [...document.querySelectorAll("[data-take][data-state]")].filter((one) => !FINAL.has(one.dataset.state));
  return [...new Set(waiting.map((one) => one.dataset.take))].slice(0, AT_ONCE);
}

async function look() {
  timer = null;
  const ids = unfinished();
  if (!ids.length) {
    return;
  }
  if (!document.hidden) {
    await ask(ids).catch(() => undefined); // the next look tries again
  }
  watch();
}

async function ask(ids) {
  const query = new URLSearchParams([...ids.map((id) => ["id", id]), ["limit", String(AT_ONCE)]]);
  const answer = await fetch(`/v1/takes?${query}`, { headers: { Accept: "application/json" } });
  if (!answer.ok) {
    return;
  }
  const takes = new Map((await answer.json()).items.map((take) => [take.id, take]));
  const said = [];
  let changed = false;
  for (const one of document.querySelectorAll("[data-take][data-state]")) {
    const take = takes.get(one.dataset.take);
    const gone = take === undefined && ids.includes(one.dataset.take);
    if (gone || (take && take.state !== one.dataset.state)) {
      changed = true;
      one.dataset.state = gone ? "failed" : take.state;
      one.dispatchEvent(new CustomEvent("take-changed", { bubbles: true, detail: take ?? null }));
      if (take && FINAL.has(take.state) && one.dataset.name) {
        said.push(`${one.dataset.name} ${WORDS[take.state]}`);
      }
    }
  }
  if (changed) {
    await refresh();
    const once = [...new Set(said)];
    announce(once.length > 4 ? `${once.length} recordings are done` : once.join(". "));
  }
}

// Fetch this page again and put its regions in the place of those here; ticks, open details and focus stay.
export async function refresh() {
  const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
  if (!answer.ok) {
    return;
  }
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
  for (const old of document.querySelectorAll("[data-region]")) {
    const found = fresh.getElementById(old.id);
    if (!found || old.querySelector("[data-editing], dialog[open]")) {
      continue; // somebody is at work in it
    }
    const ticked = new Set([...old.querySelectorAll("input[type=checkbox]:checked")].map((one) => `${one.name}=${one.value}`));
    const open = new Set([...old.querySelectorAll("details[open][id]")].map((one) => one.id));
    const focused = old.contains(document.activeElement) ? pathTo(document.activeElement) : null;
    old.replaceWith(document.adoptNode(found));
    for (const one of found.querySelectorAll("input[type=checkbox]")) {
      one.checked ||= ticked.has(`${one.name}=${one.value}`);
    }
    for (const one of found.querySelectorAll("details[id]")) {
      one.open ||= open.has(one.id);
    }
    if (focused) {
      found.querySelector(focused)?.focus({ preventScroll: true });
    }
  }
  watch();
}

// A selector that finds the like of an element again in a fresh copy of its region.
function pathTo(one) {
  if (one.id) {
    return `#${CSS.escape(one.id)}`;
  }
  if (one.name) {
    return `[name="${CSS.escape(one.name)}"]${one.value ? `[value="${CSS.escape(one.value)}"]` : ""}`;
  }
  return one.getAttribute("href") ? `a[href="${CSS.escape(one.getAttribute("href"))}"]` : "[data-region]";
}
