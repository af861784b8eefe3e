// Recordings on their way in: chosen, dropped, whole folders; two at a time, each with its progress and its answer.
import { announce, element, problemFrom, Problem, UNREACHED } from "./problem.js";
import { isFinal, refresh, watch } from "./watch.js";

const AT_ONCE = 2;
const TRIES = 4;
const LONGEST_PAUSE_S = 600; // beyond that a person decides
const PATIENT_TRIES = 60; // of a service that is busy and says when to come back
const form = document.getElementById("send");
const drop = document.getElementById("drop");
const suffixes = form.dataset.suffixes.split(" ");
const most = Number(form.dataset.most);
const list = document.getElementById("sending-list");
const WORDS = { waiting: "Waiting to be measured", measuring: "Being measured", measured: "Measured", rejected: "Can't be measured", failed: "Failed here" };
const queue = [];
const all = [];
let running = 0;

document.getElementById("files").addEventListener("change", (event) => take(event.target, false));
document.getElementById("folder").addEventListener("change", (event) => take(event.target, true));
form.addEventListener("submit", (event) => event.preventDefault());
form.addEventListener("keydown", (event) => {
  if (event.key === "Enter" && event.target.type === "file") {
    event.preventDefault();
    event.target.click(); // browsers open the choice by Space alone
  }
});
document.addEventListener("dragover", (event) => {
  if (event.dataTransfer?.types.includes("Files")) {
    event.preventDefault(); // a file that misses the place must not be opened instead of the page
    drop.classList.toggle("over", drop.contains(event.target));
  }
});
document.addEventListener("dragleave", () => drop.classList.remove("over"));
document.addEventListener("drop", async (event) => {
  if (!event.dataTransfer?.types.includes("Files")) {
    return;
  }
  event.preventDefault();
  drop.classList.remove("over");
  const entries = [...event.dataTransfer.items].map((item) => item.webkitGetAsEntry?.()).filter(Boolean);
  const found = entries.length ? (await Promise.all(entries.map((entry) => inside(entry)))).flat() : [...event.dataTransfer.files].map((file) => ({ file, path: file.name, chosen: true }));
  add(found);
});
window.addEventListener("beforeunload", (event) => {
  if (running) {
    event.preventDefault();
  }
});
list.addEventListener("take-changed", (event) => {
  const item = all.find((one) => one.line === event.target);
  if (item && event.detail) {
    shown(item, event.detail);
    total();
  }
});
list.addEventListener("click", (event) => {
  const button = event.target.closest("button");
  const item = button && all.find((one) => one.again === button);
  if (item) {
    item.again.remove();
    item.again = null;
    item.state = "queued";
    say(item, "Waits for its turn");
    queue.push(item);
    next();
  }
});

function take(input, folder) {
  add([...input.files].map((file) => ({ file, path: file.webkitRelativePath || file.name, chosen: !folder })));
  input.value = "";
}

// All files of a dropped entry, folders within folders too.
async function inside(entry, chosen = true) {
  if (entry.isFile) {
    const file = await new Promise((done, failed) => entry.file(done, failed)).catch(() => null);
    return file ? [{ file, path: entry.fullPath.replace(/^\//, ""), chosen }] : [];
  }
  const reader = entry.createReader();
  const found = [];
  for (;;) { // a reader gives its entries in portions
    const some = await new Promise((done, failed) => reader.readEntries(done, failed)).catch(() => []);
    if (!some.length) {
      break;
    }
    found.push(...some);
  }
  return (await Promise.all(found.map((one) => inside(one, false)))).flat();
}

function add(found) {
  const passed = [];
  found.sort((a, b) => a.path.localeCompare(b.path, "en", { numeric: true }));
  for (const { file, path, chosen } of found) {
    if (chosen || suffixes.some((suffix) => path.toLowerCase().endsWith(suffix))) {
      enter(file, path);
    } else {
      passed.push(path);
    }
  }
  const shownOf = passed.slice(0, 8).join(", ");
  document.getElementById("sending-passed").textContent = passed.length
    ? `Passed over, no sound files: ${shownOf}${passed.length > 8 ? ` and ${passed.length - 8} more` : ""}`
    : "";
  document.getElementById("sending").hidden = !(all.length || passed.length);
  next();
}

function enter(file, path) {
  const item = { file, about: about(path), key: key(), state: "queued", sent: 0, tries: 0, again: null };
  item.line = element("li");
  item.bar = element("progress");
  item.bar.max = 1;
  item.bar.value = 0;
  item.bar.setAttribute("aria-label", `Sent of ${path}`);
  item.said = element("span", "Waits for its turn");
  item.line.append(element("span", path, "name"), item.bar, item.said);
  list.append(item.line);
  all.push(item);
  if (file.size > most) {
    refused(item, new Problem({ title: "The file is too large", detail: `It has ${file.size} bytes; at most ${most} are taken.`, advice: "Send a shorter recording." }));
    return;
  }
  queue.push(item);
}

// What goes with a recording: the fields as they are now.
function about(path) {
  const known = {};
  for (const name of ["pickup", "session"]) {
    const text = form.elements[name].value.trim();
    if (text) {
      known[name] = text;
    }
  }
  const strums = form.elements.expected_strums.value.trim();
  if (strums) {
    known.expected_strums = /^\d+$/.test(strums) ? Number(strums) : strums; // the service says what is wrong with it
  }
  const folders = path.split("/").slice(0, -1);
  if (form.elements.by_folder.checked && folders.length) {
    known.pickup = folders.at(-1);
  }
  return known;
}

// The same key with the same recording acts once, however often it must be sent.
function key() {
  return [...crypto.getRandomValues(new Uint8Array(16))].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

function next() {
  while (running < AT_ONCE && queue.length) {
    running += 1;
    const item = queue.shift();
    send(item).finally(() => {
      running -= 1;
      total();
      next();
    });
  }
  total();
}

async function send(item) {
  item.state = "sending";
  for (item.tries = 1; ; item.tries += 1) {
    say(item, "Being sent");
    const { status, text, retryAfter } = await post(item);
    if (status >= 200 && status < 300) {
      accepted(item, JSON.parse(text));
      return;
    }
    const mayPass = status === 0 || status === 429 || status === 503;
    const later = retryAfter > LONGEST_PAUSE_S;
    const problem = status === 0 ? new Problem(UNREACHED) : problemFrom(status, text);
    if (!mayPass || later || item.tries >= (retryAfter ? PATIENT_TRIES : TRIES)) {
      refused(item, problem, mayPass || status >= 500);
      return;
    }
    const seconds = Math.min(retryAfter || 2 ** (item.tries - 1), 60);
    say(item, `${problem.title}; next try in ${seconds} s`);
    await new Promise((done) => setTimeout(done, seconds * 1000));
  }
}

function post(item) {
  return new Promise((done) => {
    const body = new FormData();
    body.append("about", new Blob([JSON.stringify(item.about)], { type: "application/json" }), "about.json");
    body.append("file", item.file, item.file.name);
    const request = new XMLHttpRequest(); // fetch does not say how much has been sent
    request.open("POST", "/v1/takes");
    request.setRequestHeader("Accept", "application/json");
    request.setRequestHeader("Idempotency-Key", item.key);
    request.upload.addEventListener("progress", (event) => {
      item.sent = event.lengthComputable && event.total ? event.loaded / event.total : 0;
      item.bar.value = item.sent;
      total();
    });
    const answered = () =>
      done({ status: request.status, text: request.responseText, retryAfter: Number(request.status ? request.getResponseHeader("Retry-After") : 0) });
    for (const name of ["load", "error", "abort", "timeout"]) {
      request.addEventListener(name, answered);
    }
    request.send(body);
  });
}

function accepted(item, document_) {
  item.sent = 1;
  item.bar.value = 1;
  item.line.dataset.take = document_.id;
  item.line.dataset.state = document_.state;
  shown(item, document_);
  sameBefore(document_).then((first) => first && note(item, first));
  watch();
  clearTimeout(accepted.soon);
  accepted.soon = setTimeout(() => refresh().catch(() => undefined), 300);
}

// The first take of this very recording, when there was one before.
async function sameBefore(document_) {
  const query = new URLSearchParams({ sha256: document_.file.sha256, limit: "1" });
  const answer = await fetch(`/v1/takes?${query}`).catch(() => null);
  const first = answer?.ok ? (await answer.json()).items[0] : undefined;
  return first && first.id !== document_.id ? first : null;
}

function note(item, first) {
  item.note = element("span", "The same recording is here already: ", "hint");
  const link = element("a", first.about.label ?? first.file.name);
  link.href = `/takes/${first.id}`;
  item.note.append(link);
  item.said.append(" ", item.note);
}

// The take as it stands, with the way to its page.
function shown(item, document_) {
  item.state = document_.state;
  const link = element("a", WORDS[document_.state]);
  link.href = `/takes/${document_.id}`;
  item.said.replaceChildren(link, ...(item.note ? [" ", item.note] : []));
  if (document_.problem) {
    item.said.append(`: ${document_.problem.detail} ${document_.problem.advice ?? ""}`);
    item.line.classList.add("refused");
  }
}

function refused(item, problem, again = false) {
  item.state = "refused";
  item.line.classList.add("refused");
  const reasons = problem.errors.map((one) => `${one.field}: ${one.message}`).join("; ");
  say(item, [`Refused: ${problem.title}.`, problem.detail || reasons, problem.advice].filter(Boolean).join(" "));
  if (again) {
    item.line.classList.remove("refused");
    item.again = element("button", "Try again");
    item.again.type = "button";
    item.said.append(" ", item.again);
  }
}

function say(item, text) {
  item.said.textContent = text;
}

function total() {
  const refusals = all.filter((one) => one.state === "refused").length;
  const done = all.filter((one) => !["queued", "sending"].includes(one.state)).length;
  const measured = all.filter((one) => isFinal(one.state)).length;
  const bar = document.getElementById("sending-total");
  bar.max = Math.max(all.length, 1);
  bar.value = all.reduce((sum, one) => sum + (["queued", "sending"].includes(one.state) ? one.sent * 0.99 : 1), 0);
  const text = `${done - refusals} of ${all.length} sent, ${measured} measured${refusals ? `, ${refusals} refused` : ""}`;
  const place = document.getElementById("sending-say");
  if (place.textContent !== text) {
    place.textContent = text;
    announce(text);
  }
}
