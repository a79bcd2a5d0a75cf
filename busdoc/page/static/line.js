// The line to the laptop: being let in, the laptop's clock, what is shown, and presses that get there exactly once.

const LOST_AFTER_MS = 2000;
const AGAIN_AFTER_MS = 700;
const CLOCK_EVERY_MS = 8000;
const PRESSES = "busdoc-presses";

export class Line {
  // on: {part(name, value), state(), answer(press, answer), door(text)}
  constructor(on) {
    this.on = on;
    this.logs = false;
    this.run = "";
    this.offset = null; // ms that the laptop's clock is ahead of this phone's
    this.error = Infinity;
    this.measuredAt = 0;
    this.beatHere = -Infinity; // by this phone's clock, when the last beat came
    this.beatThere = 0; // by the laptop's, when it was sent
    this.source = null;
    this.in = false;
    this.ended = false; // the session said goodbye
    this.sending = false;
    this.kept = this.readKept();
    this.photographs = new Map(); // by mark: what is still to be sent
    setInterval(() => this.tick(), 250);
    addEventListener("online", () => this.connect());
    document.addEventListener("visibilitychange", () => { if (!document.hidden) { this.measure(); this.connect(); } });
  }

  get isCut() { return performance.now() - this.beatHere > LOST_AFTER_MS; }
  get age() { return (performance.now() - this.beatHere) / 1000; }
  now() { return Date.now() + (this.offset ?? 0); }

  async begin() {
    const secret = location.hash.slice(1);
    if (secret) {
      history.replaceState(null, "", location.pathname); // it is no longer needed, and not for others to see
      for (;;) {
        try {
          const answer = await fetch("/join", this.post({ secret }));
          const said = await answer.json();
          if (!answer.ok) { if (!await this.known()) { this.on.door(said.text); return; } break; }
          this.hello(said);
          break;
        } catch { this.on.door("The laptop does not answer. Trying again."); await pause(AGAIN_AFTER_MS); }
      }
    } else {
      for (;;) {
        try { if (!await this.known()) { this.out(); return; } break; } catch { this.on.door("The laptop does not answer. Trying again."); await pause(AGAIN_AFTER_MS); }
      }
    }
    this.in = true;
    await this.measure();
    this.connect();
  }

  async known() {
    const answer = await fetch("/clock");
    if (answer.ok) this.hello(await answer.json());
    return answer.ok;
  }

  out() {
    this.in = false;
    this.source?.close();
    this.source = null;
    this.on.door("Scan the code on the laptop with this phone's camera: key P on its screen.");
  }

  hello(said) {
    this.logs = said.logs;
    if (this.run && this.run !== said.run) this.on.newRun();
    this.run = said.run;
    this.on.state();
  }

  // As by the Network Time Protocol (RFC 5905, section 8): half of the way there and back is taken for each way.
  async measure() {
    let best = null;
    for (let k = 0; k < 3; k += 1) {
      const sent = Date.now(), sentSteady = performance.now();
      try {
        const answer = await fetch("/clock");
        if (answer.status === 401) { this.out(); return; }
        const said = await answer.json();
        const took = performance.now() - sentSteady;
        if (best === null || took < best.took) best = { took, offset: said.time - (sent + took / 2) };
      } catch { return; }
    }
    this.offset = best.offset;
    this.error = best.took / 2;
    this.measuredAt = performance.now();
    this.on.state();
  }

  connect() {
    if (!this.in || this.source) return;
    const source = new EventSource("/events");
    this.source = source;
    source.onmessage = null;
    source.addEventListener("hello", (event) => this.hello(JSON.parse(event.data)));
    source.addEventListener("ended", () => { this.ended = true; this.on.state(); });
    source.addEventListener("beat", (event) => {
      this.ended = false;
      this.beatHere = performance.now();
      this.beatThere = JSON.parse(event.data);
      this.on.state();
      this.send();
    });
    for (const name of ["head", "clock", "troubles", "state", "roll", "step", "wait", "verdict", "asks", "out", "done", "menu", "cautions", "lately", "sounds"]) {
      source.addEventListener(name, (event) => this.on.part(name, JSON.parse(event.data)));
    }
    source.onerror = () => {
      source.close();
      if (this.source !== source) return;
      this.source = null;
      setTimeout(async () => {
        try { if (!await this.known()) { this.out(); return; } } catch { /* not there yet: tried again below */ }
        this.connect();
      }, AGAIN_AFTER_MS);
    };
  }

  tick() {
    this.on.state();
    if (this.in && !this.source) this.connect();
    if (this.in && !this.isCut && performance.now() - this.measuredAt > CLOCK_EVERY_MS) { this.measuredAt = performance.now(); this.measure(); }
    // A line that is open and silent is dead: phones do not notice when they leave a network.
    if (this.source && this.isCut && this.age > 5 && this.age < 1e6 && performance.now() - (this.reopened ?? 0) > 4000) {
      this.reopened = performance.now();
      this.source.close();
      this.source = null;
      this.connect();
    }
    this.send();
  }

  // Presses: kept on this phone until the laptop has answered.

  press(what, since, by, photograph) {
    const press = { mark: newMark(), at: this.now(), seen: this.beatThere, since, by, ...what };
    if (photograph) { this.photographs.set(press.mark, photograph); press.pictured = true; }
    this.kept.push(press);
    this.writeKept();
    this.on.state();
    this.send();
    return press;
  }

  async send() {
    if (this.sending || !this.in || !this.kept.length) return;
    this.sending = true;
    try {
      while (this.kept.length) {
        const press = this.kept[0];
        const { pictured, lost, ...body } = press;
        if (pictured && !body.photograph) {
          const name = await this.sendPhotograph(press);
          if (name === null) break;
          if (name) { press.photograph = name; body.photograph = name; } else { press.lost = true; }
          press.pictured = false;
          this.writeKept();
        }
        const answer = await fetch("/press", { ...this.post(body), signal: AbortSignal.timeout(6000) });
        if (answer.status === 401) { this.out(); break; }
        if (answer.status === 429 || answer.status >= 500) break;
        const said = await answer.json();
        this.kept.shift();
        this.writeKept();
        if (press.lost) said.text += ". Its photograph could not be kept";
        this.on.answer(press, answer.ok ? said : { text: `NOT LOGGED. ${said.text}`, tone: "alarm", logged: false });
      }
    } catch { /* the line is cut: they stay, and are sent again */ } finally { this.sending = false; }
    this.on.state();
  }

  // The name it is kept under; "" where it cannot be kept; null where it is to be tried again.
  async sendPhotograph(press) {
    const data = this.photographs.get(press.mark);
    if (!data) return "";
    const answer = await fetch(`/photograph?mark=${press.mark}`, { method: "POST", headers: { "content-type": "image/jpeg" }, body: data, signal: AbortSignal.timeout(60000) });
    if (answer.status === 401) { this.out(); return null; }
    if (answer.status === 429 || answer.status >= 500) return null;
    this.photographs.delete(press.mark);
    return answer.ok ? (await answer.json()).name : "";
  }

  readKept() {
    try { const kept = JSON.parse(localStorage.getItem(PRESSES) ?? "[]"); return Array.isArray(kept) ? kept : []; } catch { return []; }
  }

  writeKept() {
    try { localStorage.setItem(PRESSES, JSON.stringify(this.kept)); } catch { /* a private window: they are kept while it is open */ }
  }

  post(body) {
    return { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) };
  }
}

function newMark() {
  const bytes = crypto.getRandomValues(new Uint8Array(16)); // randomUUID is not there without encryption
  return Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
}

function pause(ms) { return new Promise((done) => setTimeout(done, ms)); }
