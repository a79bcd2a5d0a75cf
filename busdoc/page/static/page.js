// The page: puts line, drawing and sound together, and knows what the thumb does.

import { $, fill, made, parts } from "/draw.js";
import { Line } from "/line.js";
import { Sound } from "/sound.js";

const KEPT = "busdoc-page";
const SENT_FOR_MS = 60000;
const PICTURE_SIDE = 1600;

const settings = { voice: true, tones: true, buzz: true, colours: "", name: "", ...read() };
const sound = new Sound(settings);
let begun = false, wasCut = false, toldCut = 0;
let step = { said: "" }, stepKey = "", stepSince = 0, sayStep = false;
let menu = [], done = [], yes = null;
let lastTold = null, lastRung = null;
let doorText = "";

const line = new Line({
  part(name, value) {
    parts[name]?.(value);
    own[name]?.(value);
  },
  state: drawLine,
  newRun() { lastTold = lastRung = null; },
  door(text) { doorText = text; drawLine(); },
  answer(press, answer) {
    if (answer.awaits) yes = { press: { ...press, what: "yes" }, until: performance.now() + SENT_FOR_MS, key: stepKey };
    else if (press.what === "step" || press.what === "yes") yes = null;
    tell(answer.text, answer.tone);
    if (begun) sound.say(answer.logged ? "Logged" : firstSentence(answer.text), !answer.logged);
    navigator.vibrate?.(answer.logged ? [60] : [60, 60, 60]);
    drawHand();
  },
});

const own = {
  step(value) {
    step = value;
    const key = JSON.stringify(value.press ?? value.said);
    if (key !== stepKey) {
      stepKey = key;
      stepSince = line.now();
      if (begun && value.say && sayStep) sound.say(value.text ? `Next: ${value.say}` : value.say);
      sayStep = true;
      if (yes && yes.key !== key) yes = null;
    }
    $("which").textContent = value.which ?? "";
    $("said").textContent = value.text ?? value.said;
    $("said").className = value.text ? "strong" : value.tone;
    fill("step-cautions", value.cautions ?? [], (text) => made("li", text));
    $("after").textContent = value.after?.length ? `then ${value.after.join(", ")}` : "";
    drawHand();
  },
  asks(asks) {
    fill("asks", line.logs ? asks : [], (ask) => {
      const box = made("div", ask.text);
      for (const answer of ask.answers) box.append(button(answer.text, () => log(answer.press, box)));
      return box;
    });
  },
  done(rows) {
    done = rows;
    fill("done", rows, (row) => {
      const one = made("li");
      one.append(made("span", `${row.at} ${row.text}${row.by ? ` (${row.by})` : ""}`));
      if (line.logs) {
        const undo = button("Undo", () => log({ what: "undo", n: row.n }, undo));
        undo.setAttribute("aria-label", `Undo: ${row.text}`);
        one.append(undo);
      }
      return one;
    });
    drawHand();
  },
  menu(value) { menu = value; },
  lately(items) {
    const newest = Math.max(lastTold ?? 0, ...items.map((one) => one.n)); // they stand by when they happened, not by n
    const told = items.filter((one) => one.n > lastTold && one.kind !== "action").sort((a, b) => a.n - b.n);
    if (lastTold !== null && begun) sound.tell(told);
    lastTold = newest;
  },
  sounds(items) {
    const newest = items.length ? items[items.length - 1].n : 0;
    if (lastRung !== null && begun) for (const one of items) if (one.n > lastRung) sound.ring(one.rung);
    lastRung = newest;
  },
};

function drawLine() {
  const cut = line.isCut;
  $("door").hidden = line.in && line.beatThere > 0;
  $("door-text").textContent = doorText;
  $("door-kept").textContent = line.kept.length ? `${counted(line.kept.length)} kept on this phone; sent when it is let in again.` : "";
  $("before").hidden = begun || !$("door").hidden;
  $("live").hidden = !begun || !$("door").hidden;
  $("before-name").hidden = !line.logs;
  $("before-open").hidden = location.protocol === "https:" || ["localhost", "127.0.0.1"].includes(location.hostname);
  $("before-open").textContent = "Not encrypted: who shares this Wi-Fi can read along, and could log in this phone's name. Use the laptop's own hotspot.";
  document.body.classList.toggle("cut", cut && begun);
  if (begun && line.beatThere > 0) {
    const why = line.ended ? "THE SESSION WAS ENDED on the laptop." : "CONNECTION LOST.";
    if ($("cut-why").textContent !== (cut ? why : "")) $("cut-why").textContent = cut ? why : ""; // read out once
    $("cut-age").textContent = cut ? `What stands here is ${Math.floor(line.age)} s old.` : "";
    $("menu-cut").textContent = $("cut").textContent; // a menu that is open lies above the rest
    if (cut && !(line.ended && wasCut) && (!wasCut || performance.now() - toldCut > 30000)) {
      toldCut = performance.now();
      sound.tune("cut");
      sound.buzz("cut");
      sound.say(line.ended ? "The session was ended" : "Connection lost", true);
    }
    if (!cut && wasCut) sound.say("Connected again");
    wasCut = cut;
  }
  $("awake").textContent = sound.awake;
  $("line-text").textContent = line.offset === null ? "" : `This phone's clock is ${clockText(line.offset)}; presses are corrected, to ${Math.max(1, Math.round(line.error))} ms.`;
  drawHand();
}

function drawHand() {
  $("hand").hidden = !line.logs;
  const press = $("press");
  const waiting = line.kept.length;
  press.disabled = !step.press || line.offset === null;
  const label = step.text ? `Done: ${step.text}` : step.said || "";
  const small = waiting ? `${counted(waiting)} not logged yet, ${line.isCut ? "kept on this phone" : "being sent"}` : step.held || "";
  if (press.dataset.text !== label + small) {
    press.dataset.text = label + small;
    press.replaceChildren(label, ...(small ? [made("small", small)] : []));
  }
  if (yes && performance.now() > yes.until) yes = null;
  $("yes-row").hidden = !yes;
  $("hand").classList.toggle("asked", Boolean(yes));
  const last = done[0];
  $("undo").disabled = !last;
  $("undo").setAttribute("aria-label", last ? `Undo: ${last.text}` : "Undo");
}

function tell(text, tone) {
  $("answer").textContent = text;
  $("answer").className = tone;
}

// A press is told as kept until the laptop has answered that it is on the disk.
function log(what, from, photograph) {
  if (line.offset === null) { tell("The laptop's clock is not known yet; nothing logged", "warn"); return; }
  line.press(what, stepSince, settings.name, photograph);
  tell(line.isCut ? "kept on this phone, not logged yet" : "sent, not logged yet", "faint");
  if (from instanceof HTMLElement && from.tagName === "DIV") from.replaceChildren(made("p", "answered"));
}

// Something else

function open(title, ...children) {
  $("menu-title").textContent = title;
  $("menu-body").replaceChildren(...children);
  if (!$("menu").open) $("menu").showModal();
  $("menu").scrollTop = 0;
}

function openMenu() {
  open("Something else", ...menu.map((entry) => button(entry.text, () => choose(entry))));
}

function choose(entry) {
  if (entry.parts) {
    if (!entry.parts.length && !entry.new) { open(entry.text, made("p", "Nothing is there to be chosen; nothing logged.")); return; }
    const buttons = entry.parts.map((one) => button(one.text, () => chosen(entry, one.part), one.aside));
    open(entry.text, ...buttons, ...(entry.new ? [writing("Another name", (text) => { if (text) chosen(entry, text); }, false)] : []));
  } else if (entry.writes) {
    open(entry.text, writing("Note", (text, photograph) => finish({ ...entry.press, ...(text ? { text } : {}) }, photograph), true));
  } else finish(entry.press);
}

function chosen(entry, part) {
  const partners = entry.with?.[part];
  if (!entry.with) { finish({ ...entry.press, ...(part ? { part } : {}) }); return; }
  open(`${entry.text} ${part} with`, ...(partners ?? []).map((other) => button(other, () => finish({ ...entry.press, part, into: other }))));
}

function finish(press, photograph) {
  $("menu").close();
  log(press, null, photograph);
}

function writing(label, then, pictured) {
  const box = made("form"), text = made("input"), name = made("label", label);
  text.id = "written";
  text.maxLength = 300;
  name.htmlFor = "written";
  box.append(name, text);
  let picture = null;
  if (pictured) {
    const file = made("input"), fileName = made("label", "Photograph");
    file.type = "file";
    file.accept = "image/*";
    file.setAttribute("capture", "environment");
    file.id = "pictured";
    fileName.htmlFor = "pictured";
    box.append(fileName, file);
    file.onchange = () => { picture = file.files[0] ?? null; };
  }
  const submit = made("button", "Log it", "large");
  box.append(submit);
  box.onsubmit = async (event) => {
    event.preventDefault();
    submit.disabled = true;
    try { then(text.value.trim(), picture ? await smaller(picture) : null); } catch { submit.disabled = false; box.append(made("p", "That is no photograph; nothing logged.", "bad")); }
  };
  return box;
}

async function smaller(file) {
  const image = await createImageBitmap(file);
  const scale = Math.min(1, PICTURE_SIDE / Math.max(image.width, image.height));
  const canvas = made("canvas");
  canvas.width = Math.round(image.width * scale);
  canvas.height = Math.round(image.height * scale);
  canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
  return new Promise((give, refuse) => canvas.toBlob((blob) => (blob ? give(blob) : refuse(new Error("none"))), "image/jpeg", 0.8));
}

// Small things

function button(text, press, aside = "") {
  const one = made("button", text);
  one.type = "button";
  if (aside) one.append(made("small", aside));
  one.onclick = press;
  return one;
}

function counted(n) { return n === 1 ? "1 press" : `${n} presses`; }
function firstSentence(text) { return text.split(/[.;(]/)[0]; }

function clockText(offset) {
  const s = Math.abs(offset) / 1000;
  if (s < 1) return "right to a second";
  const long = s < 120 ? `${Math.round(s)} s` : `${Math.round(s / 60)} min`;
  return `${long} ${offset > 0 ? "behind" : "ahead of"} the laptop's`;
}

function read() { try { return JSON.parse(localStorage.getItem(KEPT) ?? "{}"); } catch { return {}; } }
function write() { try { localStorage.setItem(KEPT, JSON.stringify(settings)); } catch { /* a private window */ } }

function colours() { document.documentElement.className = settings.colours; }

for (const id of ["voice", "tones", "buzz"]) {
  $(id).checked = settings[id];
  $(id).onchange = () => { settings[id] = $(id).checked; write(); };
}
$("colours").value = settings.colours;
$("colours").onchange = () => { settings.colours = $("colours").value; write(); colours(); };
$("name").value = settings.name;
$("name").onchange = () => { settings.name = $("name").value.trim(); write(); };
$("test").onclick = () => { tell(sound.test(), "faint"); };
$("test-first").onclick = () => { $("before-sound").textContent = sound.test(); };
$("begin").onclick = () => {
  settings.name = $("name").value.trim();
  write();
  sound.unlock();
  begun = true;
  stepSince = line.now();
  drawLine();
  window.scrollTo(0, 0);
};
$("press").onclick = () => { if (step.press) log(step.press); };
$("yes").onclick = () => { if (yes) { const { what, action, part, into } = yes.press; log({ what, action, ...(part ? { part } : {}), ...(into ? { into } : {}) }); yes = null; drawHand(); } };
$("undo").onclick = () => { if (done[0]) log({ what: "undo", n: done[0].n }); };
$("else").onclick = openMenu;
$("menu-close").onclick = () => { $("menu").close(); tell("nothing logged", "faint"); };

colours();
line.begin();
