// What every page runs. All scripts listen on the document, so parts of a page may be replaced at any time.
import "./form.js";
import "./listen.js";
import { watch } from "./watch.js";

document.documentElement.classList.add("scripted");
watch();
