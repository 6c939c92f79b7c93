/* Files and folders dropped on a page, and forms of plain fields.
   <div data-drop="<address>" data-told="<store>">: what is dropped or chosen inside goes there, one request a file.
   <div data-form="<store>">: the values of the named fields inside, as an object, whenever one changes. */
(function () {
  "use strict";

  const GERMAN = {
    " waits …": " wartet …", "is read …": "wird gelesen …", "found ": "gefunden: ", "; expected ": "; erwartet: ",
    "could not be sent; is the program still running?": "ließ sich nicht senden; läuft das Programm noch?",
    " of ": " von ", " files taken in": " Dateien hereingenommen", " not usable": " nicht brauchbar", "Files taken in": "Hereingenommene Dateien",
  };
  const say = (text) => (document.documentElement.lang === "de" && GERMAN[text]) || text;
  const setStore = (id, data) => window.dash_clientside.set_props(id, { data: data });

  /* all files of what was dropped, folders opened up, with their paths below the folder */
  async function filesOf(items) {
    const found = [];
    const entries = Array.from(items).map((item) => item.webkitGetAsEntry && item.webkitGetAsEntry()).filter(Boolean);
    async function walk(entry, path) {
      if (found.length > 600) return;
      if (entry.isFile) {
        const file = await new Promise((resolve, reject) => entry.file(resolve, reject));
        found.push([file, path + entry.name]);
        return;
      }
      const reader = entry.createReader();
      for (;;) {
        const some = await new Promise((resolve, reject) => reader.readEntries(resolve, reject));
        if (!some.length) return;
        for (const inner of some) await walk(inner, path + entry.name + "/");
      }
    }
    for (const entry of entries) await walk(entry, "");
    return found;
  }
  const plainFiles = (list) => Array.from(list).map((file) => [file, file.webkitRelativePath || file.name]);

  function line(list, name) {
    const item = document.createElement("li");
    const title = document.createElement("strong");
    const words = document.createElement("span");
    title.textContent = name;
    words.textContent = say(" waits …");
    item.append(title, words);
    list.append(item);
    return (text, kind) => { words.textContent = " " + text; item.className = kind || ""; };
  }

  async function send(zone, files) {
    const list = zone.querySelector("[data-lines]");
    const bar = zone.querySelector("[data-bar]");
    const said = zone.querySelector("[data-said]");
    list.replaceChildren();
    bar.replaceChildren();
    const progress = document.createElement("progress");
    progress.max = files.length;
    progress.value = 0;
    progress.setAttribute("aria-label", say("Files taken in"));
    bar.append(progress);
    zone.setAttribute("aria-busy", "true");
    const usable = files.filter(([file]) => !file.name.startsWith("."));
    const tell = usable.map(([, name]) => line(list, name));
    let wrong = 0;
    for (let k = 0; k < usable.length; k += 1) {
      const [file, name] = usable[k];
      tell[k](say("is read …"));
      try {
        const answer = await fetch(zone.dataset.drop + "?name=" + encodeURIComponent(name), { method: "POST", body: file });
        const told = await answer.json();
        if (told.problem) {
          wrong += 1;
          tell[k](say("found ") + told.problem.found + say("; expected ") + told.problem.expected + ". " + told.problem.mend, "wrong");
        } else if (!answer.ok) {
          wrong += 1;
          tell[k](told.words, "wrong");
        } else {
          tell[k](told.words, "right");
        }
      } catch (problem) {
        wrong += 1;
        tell[k](say("could not be sent; is the program still running?"), "wrong");
      }
      progress.value = k + 1;
      said.textContent = (k + 1) + say(" of ") + usable.length + say(" files taken in") + (wrong ? ", " + wrong + say(" not usable") : "");
    }
    zone.removeAttribute("aria-busy");
    setStore(zone.dataset.told, Date.now());
  }

  const zoneOf = (event) => event.target.closest && event.target.closest("[data-drop]");
  ["dragenter", "dragover"].forEach((kind) => document.addEventListener(kind, (event) => {
    event.preventDefault();
    const zone = zoneOf(event);
    if (zone) zone.classList.add("over");
  }));
  document.addEventListener("dragleave", (event) => {
    const zone = zoneOf(event);
    if (zone && !zone.contains(event.relatedTarget)) zone.classList.remove("over");
  });
  document.addEventListener("drop", async (event) => {
    event.preventDefault();
    const zone = zoneOf(event) || document.querySelector("[data-drop]");
    if (!zone) return;
    zone.classList.remove("over");
    const plain = plainFiles(event.dataTransfer.files);
    const opened = await filesOf(event.dataTransfer.items);
    const files = opened.length ? opened : plain;
    if (files.length) send(zone, files);
  });
  document.addEventListener("change", (event) => {
    const zone = zoneOf(event);
    if (zone && event.target.type === "file") {
      const files = plainFiles(event.target.files);
      if (files.length) send(zone, files);
    }
  });
  /* the buttons stand for the file fields, which cannot be made to look like anything */
  document.addEventListener("click", (event) => {
    const button = event.target.closest && event.target.closest("[data-pick]");
    const zone = button && button.closest("[data-drop]");
    if (!zone) return;
    const field = document.createElement("input");
    field.type = "file";
    field.multiple = true;
    field.hidden = true;
    if (button.dataset.pick === "folder") field.webkitdirectory = true;
    field.className = "picked";
    zone.append(field);
    field.addEventListener("change", () => setTimeout(() => field.remove(), 0));
    field.click();
  });

  function gather(form) {
    const values = {};
    form.querySelectorAll("[name]").forEach((field) => {
      if (field.type === "radio" && !field.checked) return;
      values[field.name] = field.type === "checkbox" ? field.checked : field.value;
    });
    setStore(form.dataset.form, values);
  }
  ["input", "change"].forEach((kind) => document.addEventListener(kind, (event) => {
    const form = event.target.closest && event.target.closest("[data-form]");
    if (form && event.target.name) gather(form);
  }));
  /* a hint taken: its value goes into the field it is for */
  document.addEventListener("click", (event) => {
    const hint = event.target.closest && event.target.closest("[data-fill]");
    if (!hint) return;
    const form = hint.closest("[data-form]");
    const field = form && form.querySelector('[name="' + hint.dataset.fill + '"]');
    if (!field) return;
    field.value = hint.dataset.value;
    hint.hidden = true;
    field.focus();
    gather(form);
  });
})();
/* what comes of a press is shown below: bring it into view */
document.addEventListener("click", (event) => {
  if (!event.target.closest || !event.target.closest("#new-start")) return;
  setTimeout(() => {
    const outcome = document.getElementById("new-outcome");
    if (outcome) outcome.scrollIntoView({ block: "nearest", behavior: "auto" });
  }, 600);
});
