// Sends what the operator asks for. The token and the name are typed once and kept
// in this tab's session storage only; a token that was refused is forgotten.
const kept = { token: "candlemark.token", who: "candlemark.who" };

export function offer() {
  document.body.classList.add("live");
  const bar = document.getElementById("actions");
  if (!bar) return; // the agent takes no commands from here
  bar.hidden = false;
  document.body.classList.add("can");
  document.addEventListener("click", (e) => {
    const open = e.target.closest("[data-open]");
    if (open) show(document.getElementById(open.dataset.open), open.dataset);
    const close = e.target.closest("[data-close]");
    if (close) close.closest("dialog").close();
  });
  for (const form of document.querySelectorAll("dialog form")) {
    form.addEventListener("submit", (e) => {
      e.preventDefault();
      send(form);
    });
  }
}

function show(dialog, given) {
  const form = dialog.querySelector("form");
  form.reset();
  say(form, "", false);
  for (const [name, key] of Object.entries(kept)) {
    form.elements[name].value = sessionStorage.getItem(key) || "";
  }
  know(form);
  if (given.alarm) {
    form.elements.alarm.value = given.alarm;
    form.elements.subject.value = given.subject;
    form.querySelector("[data-about]").textContent = given.about;
  }
  dialog.showModal();
}

// know hides what this tab knows already.
function know(form) {
  form.querySelector("[data-once]").hidden = Object.values(kept).every((key) => sessionStorage.getItem(key));
}

function say(form, words, bad) {
  const line = form.querySelector(".answer");
  line.textContent = words;
  line.classList.toggle("bad", bad);
}

// done says for a while what the agent answered.
let fading = 0;
function done(words) {
  const line = document.getElementById("done");
  line.textContent = "✓ " + words;
  clearTimeout(fading);
  fading = setTimeout(() => line.replaceChildren(), 15000);
}

const bodies = {
  swap: (f) => ({ pack: f.pack.value, ...(f.mark.value.trim() && { mark: f.mark.value.trim() }), ...(f.sure.checked && { sure: true }) }),
  ack: (f) => ({ alarm: f.alarm.value, subject: f.subject.value }),
  note: (f) => ({ text: f.text.value }),
  survey: (f) =>
    ({
      begin: () => ({ do: "begin", name: f.name.value, arrangements: [f.a.value, f.b.value], rounds: Number(f.rounds.value) }),
      continue: () => ({ do: "continue", ...(f.changed.value.trim() && { changed: f.changed.value.trim() }) }),
      stop: () => ({ do: "stop" }),
    })[f.do.value](),
  feed: (f) => (f.do.value === "off" ? { do: "off", for: f.minutes.value + "m" } : { do: "on" }),
};

async function send(form) {
  const f = form.elements;
  const button = form.querySelector(".main");
  for (const [name, key] of Object.entries(kept)) sessionStorage.setItem(key, f[name].value.trim());
  button.disabled = true;
  say(form, "Sending…", false);
  try {
    const answer = await fetch("/actions/" + form.dataset.action, {
      method: "POST",
      headers: {
        "Content-Type": "application/json",
        "Candlemark-Token": sessionStorage.getItem(kept.token),
        "Candlemark-Who": encodeURIComponent(sessionStorage.getItem(kept.who)),
      },
      body: JSON.stringify(bodies[form.dataset.action](f)),
      signal: AbortSignal.timeout(20000),
    });
    const said = await answer.json();
    if (answer.status === 401) sessionStorage.removeItem(kept.token);
    if (answer.ok) {
      form.closest("dialog").close();
      done(said.words);
    } else {
      say(form, said.error, true);
    }
  } catch {
    say(form, "The agent did not answer. It may have done it or not: look at the page before you ask again.", true);
  }
  know(form);
  button.disabled = false;
}
