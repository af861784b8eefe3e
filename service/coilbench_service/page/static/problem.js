// Requests to the API, and its problems (RFC 9457) said where a person looks.

export class Problem extends Error {
  constructor(body) {
    super(body.detail ?? "");
    this.title = body.title ?? "It did not work";
    this.detail = body.detail ?? "";
    this.advice = body.advice ?? "";
    this.status = body.status ?? 0;
    this.errors = body.errors ?? [];
  }
}

export const UNREACHED = {
  title: "The service did not answer",
  detail: "The connection broke off, or the service is not running.",
  advice: "See that it runs, then try again.",
};

// What to do about some kinds of problems at a page; the service's own advice is for programs.
const SIGN_IN_AGAIN = "Your sign-in is over. Load this page anew to sign in again.";
const IN_A_HEADER = "after the seconds in Retry-After";
const AT_A_PAGE = {
  "/problems/key-missing": SIGN_IN_AGAIN,
  "/problems/key-unknown": SIGN_IN_AGAIN,
  "/problems/scope-missing": "The key that you signed in with may not do this. Sign out, then sign in with one that may.",
  "/problems/too-many-requests": "Try again in a minute.",
  "/problems/upload-quota-used": "Send it again when that time is over, or ask whoever runs the service for more.",
};

// The problem in the text of an answer that says no; any text will do.
export function problemFrom(status, text) {
  try {
    const body = JSON.parse(text);
    if (body && typeof body === "object" && body.title) {
      return new Problem({ ...body, advice: AT_A_PAGE[body.type] ?? body.advice?.replace(IN_A_HEADER, "in a moment"), status });
    }
  } catch {
    // not JSON: something between us and the service answered
  }
  return new Problem({ title: `The service answered with status ${status}`, detail: "", advice: "Try again in a moment.", status });
}

// Send JSON values and give the answer's; throws a Problem.
export async function call(method, address, body, headers = {}) {
  let answer;
  try {
    answer = await fetch(address, {
      method,
      headers: { Accept: "application/json", ...(body === undefined ? {} : { "Content-Type": "application/json" }), ...headers },
      body: body === undefined ? undefined : JSON.stringify(body),
    });
  } catch {
    throw new Problem(UNREACHED);
  }
  const text = await answer.text();
  if (!answer.ok) {
    throw problemFrom(answer.status, text);
  }
  return { document: text ? JSON.parse(text) : null, status: answer.status, location: answer.headers.get("Location") };
}

// An element with text in it; never markup.
export function element(name, text, className) {
  const made = document.createElement(name);
  if (text !== undefined) {
    made.textContent = text;
  }
  if (className) {
    made.className = className;
  }
  return made;
}

// Say a problem in a place with data-faults, `faults` being those that no field could take.
export function sayProblem(place, problem, faults = problem.errors) {
  place.replaceChildren(element("p", problem.title, "fault-title"));
  const allMarked = problem.errors.length && !faults.length;
  for (const text of allMarked ? ["Each field at fault says what is wrong with it."] : [problem.detail, problem.advice]) {
    if (text) {
      place.append(element("p", text));
    }
  }
  if (faults.length > 1) {
    const list = element("ul");
    list.append(...faults.map((fault) => element("li", `${fault.field}: ${fault.message}`)));
    place.append(list);
  }
}

// Tell those who listen to the page rather than look at it.
export function announce(text) {
  document.getElementById("announcements").textContent = text;
}
