// Sliders of the coil page: each moves its number, and the page is asked again for figures and picture.
//
// A slider stands at 0 to its max for data-start to data-end, in even steps or, with data-even-ratios, even ratios.
import { announce } from "./problem.js";

const EVERY_MS = 150;
const REST_MS = 700;
const DIGITS = 3;
const form = document.getElementById("coil");
const sliders = new Map([...form.querySelectorAll("[data-slides]")].map((one) => [one.dataset.slides, one]));
let timer = null;
let under = null;
let saying = null;
let wanted = null;
let drawing = false;

for (const slider of sliders.values()) {
  say(slider);
}

form.addEventListener("input", (event) => {
  const one = event.target;
  if (one.dataset.slides) {
    document.getElementById(one.dataset.slides).value = valueOf(one);
    say(one);
  } else if (sliders.has(one.id)) {
    follow(sliders.get(one.id), one.value);
  }
  timer ??= setTimeout(ask, EVERY_MS);
});

form.addEventListener("submit", (event) => {
  event.preventDefault();
  ask();
});

function valueOf(slider) {
  const [start, end] = [Number(slider.dataset.start), Number(slider.dataset.end)];
  const share = Number(slider.value) / Number(slider.max);
  const value = "evenRatios" in slider.dataset ? start * (end / start) ** share : start + (end - start) * share;
  return String(Number(value.toPrecision(DIGITS)));
}

function follow(slider, text) {
  const value = Number(text.replace(",", "."));
  if (text.trim() && Number.isFinite(value)) {
    const [start, end] = [Number(slider.dataset.start), Number(slider.dataset.end)];
    const at = Math.min(Math.max(value, start), end);
    const share = "evenRatios" in slider.dataset ? Math.log(at / start) / Math.log(end / start) : (at - start) / (end - start);
    slider.value = String(Math.round(share * Number(slider.max)));
  }
  say(slider);
}

// What a screen reader says of a slider: the number and its unit, not the step.
function say(slider) {
  const number = document.getElementById(slider.dataset.slides).value.trim();
  slider.setAttribute("aria-valuetext", number ? `${number} ${slider.dataset.unit}`.trim() : "nothing typed");
}

// Ask this page with the numbers as they are, and put its answer in the place of the one here; an older question is dropped.
async function ask() {
  clearTimeout(timer);
  timer = null;
  under?.abort();
  under = new AbortController();
  const address = `${form.action}?${new URLSearchParams(new FormData(form))}`;
  try {
    const answer = await fetch(address, { headers: { Accept: "text/html" }, signal: under.signal });
    show(new DOMParser().parseFromString(await answer.text(), "text/html"));
    history.replaceState(null, "", address);
  } catch (error) {
    if (error.name !== "AbortError") {
      document.getElementById("coil-sentence").textContent = "The service did not answer. See that it runs, then move a slider.";
    }
  }
}

function show(fresh) {
  const before = document.getElementById("coil-answer");
  const now = fresh.getElementById("coil-answer");
  if (!now) {
    throw new Error("no answer");
  }
  const picture = document.getElementById("coil-picture");
  const next = now.querySelector("#coil-picture");
  if (picture && next) {
    draw(picture, next.getAttribute("src"), next.alt);
    next.replaceWith(picture);
  }
  before.replaceChildren(...now.childNodes);
  const sentence = document.getElementById("coil-sentence");
  const said = fresh.getElementById("coil-sentence").textContent;
  if (sentence.textContent !== said) {
    sentence.textContent = said;
    clearTimeout(saying);
    saying = setTimeout(() => announce(said), REST_MS); // once it rests, not at every step
  }
  for (const place of form.querySelectorAll(".fault")) {
    place.textContent = fresh.getElementById(place.id)?.textContent ?? "";
    const field = document.getElementById(place.id.replace(/-fault$/, ""));
    field.removeAttribute("aria-invalid");
    if (place.textContent) {
      field.setAttribute("aria-invalid", "true");
    }
  }
}

// One picture at a time, so that moving a slider does not have the service draw what nobody waits for; the newest wins.
// What is seen stays until the new one is there.
function draw(picture, source, words) {
  wanted = { source, words };
  if (!drawing) {
    drawNext(picture);
  }
}

function drawNext(picture) {
  drawing = wanted !== null && wanted.source !== picture.getAttribute("src");
  if (drawing) {
    picture.onload = picture.onerror = () => drawNext(picture);
    picture.src = wanted.source;
    picture.alt = wanted.words;
  }
  wanted = null;
}
