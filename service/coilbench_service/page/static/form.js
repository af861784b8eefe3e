// Forms and buttons that change something through the API.
//
// <form data-act="PATCH" data-address="/v1/..." [data-under="about"] [data-changes] [data-then="/..."]>
//   sends its fields as JSON, names being dotted paths; data-changes: only what differs from what the page came with,
//   a field left empty then removes (JSON merge patch, RFC 7396). data-if-unmodified: RFC 3339, for If-Unmodified-Since.
// <button data-act="POST" data-address="/v1/..." [data-body='{"a": 1}'] [data-then]>  sends at once.
// data-then: where to go afterwards: an address, "location" (of what was made) or nothing: this page anew.
// data-edits="id" shows the form of that id in place of what is read; data-leaves goes back.
// data-opens="id" opens a dialog; data-closes closes it.
import { announce, call, Problem, sayProblem } from "./problem.js";

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.dataset.act) {
    event.preventDefault();
    sendForm(form, event.submitter);
  }
});

document.addEventListener("click", (event) => {
  const button = event.target.closest("button");
  if (!button) {
    return;
  }
  if (button.dataset.act) {
    sendButton(button);
  } else if (button.dataset.opens) {
    document.getElementById(button.dataset.opens).showModal();
  } else if ("closes" in button.dataset) {
    button.closest("dialog").close();
  } else if (button.dataset.edits) {
    edit(document.getElementById(button.dataset.edits), true);
  } else if ("leaves" in button.dataset) {
    edit(button.closest("form"), false);
  }
});

// Show a form in the place of what is read (the element with data-read-of), or the other way round.
function edit(form, on) {
  form.hidden = !on;
  form.toggleAttribute("data-editing", on);
  document.querySelector(`[data-read-of="${form.id}"]`).hidden = on;
  if (on) {
    form.querySelector("input, textarea, select")?.focus();
  } else {
    form.reset();
    clear(form);
    document.querySelector(`[data-edits="${form.id}"]`)?.focus();
  }
}

async function sendForm(form, submitter) {
  clear(form);
  const values = {};
  const faults = [];
  for (const field of form.querySelectorAll("[data-kind]")) {
    try {
      const was = read(field, true);
      const value = read(field, false);
      if ("changes" in form.dataset ? JSON.stringify(value) !== JSON.stringify(was) : value !== null) {
        put(values, pathOf(field), value);
      }
    } catch (error) {
      faults.push({ field: field.name, message: error.message });
    }
  }
  if (faults.length) {
    say(form, new Problem({ title: "Some fields can't be used", detail: "", errors: faults }));
    return;
  }
  if ("changes" in form.dataset && !Object.keys(values).length) {
    announce("Nothing was changed.");
    form.querySelector("[data-leaves]")?.click();
    return;
  }
  const body = form.dataset.under ? { [form.dataset.under]: values } : values;
  await act(form, submitter, form, body);
}

function sendButton(button) {
  const body = button.dataset.body ? JSON.parse(button.dataset.body) : button.dataset.act === "DELETE" ? undefined : {};
  return act(button, button, button.closest("dialog, form, [data-acts]"), body);
}

// Send, then go on; `place` holds the fields and the data-faults of what may go wrong.
async function act(asking, button, place, body) {
  const headers = {};
  if (asking.dataset.ifUnmodified) {
    headers["If-Unmodified-Since"] = new Date(asking.dataset.ifUnmodified).toUTCString();
  }
  if (button) {
    if (button.getAttribute("aria-busy") === "true") {
      return;
    }
    button.setAttribute("aria-busy", "true");
  }
  try {
    const { location: made } = await call(asking.dataset.act, asking.dataset.address, body, headers);
    place?.removeAttribute("data-editing");
    const then = asking.dataset.then;
    if (then === "location" && made) {
      location.assign(made.replace(/^\/v1/, ""));
    } else if (then && then !== "location") {
      location.assign(then);
    } else {
      location.reload();
    }
  } catch (error) {
    button?.removeAttribute("aria-busy");
    const problem = error instanceof Problem ? error : new Problem({ title: "The page made a mistake", detail: String(error) });
    if (problem.status === 412) {
      problem.title = "Somebody changed it since this page was loaded";
      problem.advice = "Load the page again, look at what changed, and make your change anew.";
    }
    say(place, problem);
  }
}

// A field's value as JSON: of now, or as the page came. Empty is null.
function read(field, was) {
  const kind = field.dataset.kind;
  if (kind === "switch") {
    return was ? field.defaultChecked : field.checked;
  }
  const chosen = field instanceof HTMLSelectElement ? [...field.options].find((one) => one.defaultSelected) : null;
  const text = (was ? (field instanceof HTMLSelectElement ? (chosen?.value ?? "") : field.defaultValue) : field.value).trim();
  if (!text) {
    return null;
  }
  if (kind === "own") {
    return ownValue(text);
  }
  if (kind === "truth") {
    return text === "yes";
  }
  if (kind === "list") {
    return text.split(",").map((one) => one.trim()).filter(Boolean);
  }
  if (kind === "numbers") {
    return text.split(/[,;]\s*|\s+/).filter(Boolean).map((one) => numberOf(one, false));
  }
  return kind === "number" || kind === "integer" ? numberOf(text.replace(",", "."), kind === "integer") : text;
}

// A value of a field of one's own: JSON where it is JSON, else text.
function ownValue(text) {
  try {
    return JSON.parse(text);
  } catch {
    return text;
  }
}

function numberOf(text, whole) {
  const number = Number(text.replace("\u2212", "-"));
  if (!Number.isFinite(number) || (whole && !Number.isInteger(number))) {
    throw new Error(`${text} is not a ${whole ? "whole " : ""}number`);
  }
  return number;
}

// Where a field's value goes: the dotted name, or data-path as JSON; with data-named-by, under the name typed there.
function pathOf(field) {
  const path = field.dataset.path ? JSON.parse(field.dataset.path) : field.name.split(".");
  if (!field.dataset.namedBy) {
    return path;
  }
  const name = document.getElementById(field.dataset.namedBy).value.trim();
  if (!name) {
    throw new Error("needs a name beside it");
  }
  return [...path, name];
}

function put(values, path, value) {
  const names = [...path];
  const last = names.pop();
  let place = values;
  for (const name of names) {
    place = place[name] ??= {};
  }
  place[last] = value;
}

// Each fault beside its field, the rest on top; the first place at fault gets the focus.
function say(place, problem) {
  const rest = [];
  let first = null;
  for (const fault of problem.errors) {
    const field = [...(place?.querySelectorAll("[data-kind]") ?? [])].find(
      (one) => fault.field === one.name || fault.field.endsWith(`.${one.name}`) || fault.field.startsWith(`${one.name}.`),
    );
    const spot = field && document.getElementById(`${field.id}-fault`);
    if (!spot) {
      rest.push(fault);
      continue;
    }
    spot.textContent = fault.message;
    field.setAttribute("aria-invalid", "true");
    first ??= field;
  }
  const summary = place?.querySelector("[data-faults]") ?? document.querySelector("[data-faults]");
  if (summary) {
    sayProblem(summary, problem, rest);
  }
  first?.focus();
}

function clear(form) {
  form.querySelector("[data-faults]")?.replaceChildren();
  for (const field of form.querySelectorAll("[aria-invalid]")) {
    field.removeAttribute("aria-invalid");
    document.getElementById(`${field.id}-fault`).textContent = "";
  }
}
