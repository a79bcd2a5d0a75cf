// Draws parts as they come. Every text is set as text: nothing that a name holds is ever read as markup.

export const $ = (id) => document.getElementById(id);

export function made(tag, text = "", name = "") {
  const one = document.createElement(tag);
  if (text !== "") one.textContent = text;
  if (name) one.className = name;
  return one;
}

export function fill(id, items, draw) {
  $(id).replaceChildren(...items.map(draw));
}

export const parts = {
  head(head) {
    $("title").textContent = head.title;
    document.title = head.title;
    $("notes").textContent = head.notes.join(" \u00b7 ");
  },
  clock(clock) { $("clock").textContent = clock; },
  troubles(texts) { fill("troubles", texts, (text) => made("li", text)); },
  state(state) {
    const text = state.mark ? `${state.mark} ${state.text}` : state.text;
    const here = $("state");
    if (here.textContent !== text) here.textContent = text;
    here.className = state.tone;
  },
  roll(rows) {
    fill("roll", rows, (row) => {
      const line = made("li", "", row.tone);
      const word = made("span", row.word, "word");
      if (row.since) word.append(made("small", ` ${row.since}`));
      line.append(made("span", row.mark, "mark"), made("span", row.name, "strong"), word);
      if (row.aside) line.append(made("span", row.aside, "more"));
      return line;
    });
  },
  wait(wait) {
    $("wait").replaceChildren();
    if (wait.left) $("wait").append(made("b", wait.left), " ");
    $("wait").append(wait.text);
  },
  verdict(verdict) {
    $("verdict").textContent = verdict.short;
    $("verdict").className = verdict.tone;
    $("headline").textContent = verdict.text === verdict.short ? "" : verdict.text;
  },
  out(texts) {
    $("out-part").hidden = !texts.length;
    fill("out", texts, (text) => made("li", text));
  },
  cautions(texts) { fill("before-cautions", texts, (text) => made("li", text)); },
  lately(items) {
    fill("lately", items, (one) => {
      const line = made("li");
      line.append(made("span", `${one.at} `, "faint"), one.text);
      return line;
    });
  },
};
