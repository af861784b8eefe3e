// A table of sheets, sent as it is: <form data-import="/v1/..."> with one file.
import { announce, element, Problem, problemFrom, sayProblem, UNREACHED } from "./problem.js";

const form = document.querySelector("form[data-import]");
const done = document.getElementById("import-done");

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const button = form.querySelector("button");
  const [file] = form.querySelector("input[type=file]").files;
  const faults = form.querySelector("[data-faults]");
  faults.replaceChildren();
  done.replaceChildren();
  button.setAttribute("aria-busy", "true");
  try {
    const imported = await sent(file);
    const again = imported.measured_again ? ` ${imported.measured_again} takes are measured again.` : "";
    done.replaceChildren(
      `${imported.made} made, ${imported.changed} changed, ${imported.unchanged} as they were.${again} `,
      link("Show them"),
    );
  } catch (error) {
    sayProblem(faults, error instanceof Problem ? error : new Problem({ title: "The file can't be read", detail: String(error) }));
    announce("Nothing was imported.");
  }
  button.removeAttribute("aria-busy");
});

async function sent(file) {
  const body = await file.arrayBuffer();
  let answer;
  try {
    answer = await fetch(form.dataset.import, { method: "POST", headers: { "Content-Type": "text/csv", Accept: "application/json" }, body });
  } catch {
    throw new Problem(UNREACHED);
  }
  const text = await answer.text();
  if (!answer.ok) {
    throw problemFrom(answer.status, text);
  }
  return JSON.parse(text);
}

function link(text) {
  const made = element("a", text);
  made.href = location.pathname;
  return made;
}
