// Follows the agent: by server-sent events, and by asking every few seconds where
// those do not come through. Says plainly when there is no contact.
import { put } from "./morph.js";

const silence = 8000; // ms without a word before the page asks by itself
const askEvery = 4000;
const againAfter = 30000; // how long asking is kept to before events are tried again

export function follow(draw) {
  let heard = Date.now();
  let lost = false;
  let source = null;
  let trail = -1;
  let tried = 0;
  let asking = false;
  let said = document.getElementById("said").textContent;

  function take(frame) {
    heard = Date.now();
    contact(true);
    for (const [id, html] of Object.entries(frame.parts)) put(id, html);
    if (document.title !== frame.title) document.title = frame.title;
    if (frame.said !== said) {
      // The first one is on the screen anyway: only what changes is spoken.
      if (said) document.getElementById("said").textContent = frame.said;
      said = frame.said;
    }
    if (frame.trail !== trail) {
      trail = frame.trail;
      draw();
    }
  }

  function contact(there) {
    const box = document.getElementById("contact");
    if (there === !lost) {
      if (lost) age(box);
      return;
    }
    lost = !there;
    document.body.classList.toggle("lost", lost);
    box.replaceChildren();
    if (!lost) {
      document.getElementById("said").textContent = "In contact with the relay again.";
      return;
    }
    const head = document.createElement("p");
    head.className = "head";
    head.textContent = "No contact since " + clock(heard);
    const rest = document.createElement("p");
    rest.textContent = "What stands below is from then. Go by the clock. Is this phone still on the relay's network, and does the board have power?";
    const count = document.createElement("p");
    count.setAttribute("aria-live", "off");
    box.append(head, rest, count);
    age(box);
  }

  function age(box) {
    const min = Math.floor((Date.now() - heard) / 60000);
    box.lastChild.textContent = min < 1 ? "Less than a minute ago." : min + " min ago.";
  }

  function listen() {
    tried = Date.now();
    source = new EventSource("/live");
    source.onmessage = (e) => take(JSON.parse(e.data));
    source.onerror = () => {
      if (source && source.readyState === EventSource.CLOSED) stop(); // refused
      ask(); // tells at once whether the agent is gone, or only the stream
    };
  }

  function stop() {
    if (source) source.close();
    source = null;
  }

  async function ask() {
    if (asking) return;
    asking = true;
    try {
      const answer = await fetch("/now", { signal: AbortSignal.timeout(5000), cache: "no-store" });
      if (!answer.ok) throw new Error(answer.statusText);
      take(await answer.json());
    } catch {
      contact(false);
    }
    asking = false;
  }

  function look() {
    if (document.hidden) return;
    const quiet = Date.now() - heard;
    if (!source && !lost && Date.now() - tried > againAfter) listen();
    if ((!source && quiet >= askEvery) || quiet >= silence || lost) ask();
    if (lost) contact(false);
  }

  // A page that nobody sees costs the link nothing.
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) {
      stop();
    } else {
      listen();
      ask();
    }
  });
  window.addEventListener("offline", () => {
    stop(); // or it would take a while to notice
    ask();
  });
  window.addEventListener("online", () => {
    if (!source) listen();
    ask();
  });
  listen();
  setInterval(look, askEvery / 2);
}

function clock(ms) {
  const t = new Date(ms);
  const two = (n) => String(n).padStart(2, "0");
  const utc = two(t.getUTCHours()) + ":" + two(t.getUTCMinutes()) + " UTC";
  const here = two(t.getHours()) + ":" + two(t.getMinutes());
  return t.getTimezoneOffset() === 0 ? utc : here + " (" + utc + ")";
}
