// What is heard and felt: a voice, tones, vibration; and the screen that stays on.

const TUNES = { // [Hz from, Hz to, begins s, lasts s]
  lost: [[620, 300, 0, 0.55]],
  back: [[392, 523, 0, 0.16], [523, 784, 0.22, 0.22]],
  alarm: [[880, 880, 0, 0.14], [660, 660, 0.18, 0.14], [880, 880, 0.36, 0.14], [660, 660, 0.54, 0.14]],
  cut: [[220, 220, 0, 0.12], [220, 220, 0.2, 0.12]],
};
const BUZZES = { lost: [600], back: [120, 100, 120], alarm: [300, 80, 300, 80, 300, 80, 300], cut: [80, 80, 80] };
const URGENT = /^(lost|alarm|restarted|came back|shows)$/;

export class Sound {
  constructor(settings) {
    this.settings = settings; // {voice, tones, buzz}
    this.context = null;
    this.waiting = "";
    this.speaking = false;
    this.lock = null;
    this.awake = "";
    document.addEventListener("visibilitychange", () => this.stayAwake());
  }

  // Called from a press: browsers let no page sound before.
  unlock() {
    const Context = window.AudioContext ?? window.webkitAudioContext;
    if (Context && !this.context) this.context = new Context();
    this.context?.resume();
    this.stayAwake();
  }

  test() {
    this.unlock();
    this.tune("back", true);
    this.buzz("back", true);
    this.say("This is how it sounds.", true, true);
    const voices = "speechSynthesis" in window;
    return voices ? "You should hear two rising tones and a sentence. If not: turn the phone's volume up and its silent mode off." : "You should hear two rising tones. This browser has no voice: what is said stands on the page.";
  }

  ring(rung) { this.tune(rung); this.buzz(rung); }

  tune(name, always = false) {
    if (!this.context || !(always || this.settings.tones)) return;
    const begin = this.context.currentTime + 0.02;
    for (const [from, to, at, lasts] of TUNES[name] ?? []) {
      const voice = this.context.createOscillator(), level = this.context.createGain();
      voice.type = "triangle";
      voice.frequency.setValueAtTime(from, begin + at);
      voice.frequency.linearRampToValueAtTime(to, begin + at + lasts);
      level.gain.setValueAtTime(0, begin + at);
      level.gain.linearRampToValueAtTime(0.9, begin + at + 0.02);
      level.gain.linearRampToValueAtTime(0, begin + at + lasts);
      voice.connect(level).connect(this.context.destination);
      voice.start(begin + at);
      voice.stop(begin + at + lasts + 0.05);
    }
  }

  buzz(name, always = false) {
    if (always || this.settings.buzz) navigator.vibrate?.(BUZZES[name] ?? []);
  }

  // Newest first: what came at once is one sentence, and what has not been begun when something newer comes is left out.
  tell(items) {
    const texts = items.filter((one) => one.say).map((one) => one.say);
    if (texts.length) this.say(texts.slice(-3).reverse().join(". "), items.some((one) => URGENT.test(one.kind)));
  }

  say(text, urgent = false, always = false) {
    if (!("speechSynthesis" in window) || !(always || this.settings.voice)) return;
    this.spoken?.(text);
    if (this.speaking && !urgent) { this.waiting = text; return; }
    this.waiting = "";
    const said = new SpeechSynthesisUtterance(text);
    said.lang = "en";
    said.onend = said.onerror = () => {
      if (this.current !== said) return;
      this.speaking = false;
      if (this.waiting) this.say(this.waiting);
    };
    this.current = said;
    this.speaking = true;
    if (urgent) speechSynthesis.cancel();
    speechSynthesis.speak(said);
    setTimeout(() => { if (this.current === said) this.speaking = false; }, 12000); // some browsers forget to say that it ended
  }

  async stayAwake() {
    if (document.hidden) return;
    if (!("wakeLock" in navigator)) {
      this.awake = "This phone may go dark: keeping it on needs an encrypted page (--page-cert). Set its display to stay on long.";
      return;
    }
    try {
      this.lock = await navigator.wakeLock.request("screen");
      this.awake = "The screen stays on.";
      this.lock.addEventListener("release", () => { this.awake = "The screen may go dark."; });
    } catch { this.awake = "This phone does not let the page keep it on: set its display to stay on long."; }
  }
}
