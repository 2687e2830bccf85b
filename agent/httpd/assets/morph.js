// Makes the element `now` like `next` by changing only what differs, so that focus,
// scrolling and what a reader opened stay as they are.

const kept = new Set(["open"]); // attributes that belong to the reader

export function put(id, html) {
  const now = document.getElementById(id);
  const next = new DOMParser().parseFromString(html, "text/html").body.firstElementChild;
  if (now && next) alike(now, next);
}

function alike(now, next) {
  for (const { name } of [...now.attributes]) {
    if (!kept.has(name) && !next.hasAttribute(name)) now.removeAttribute(name);
  }
  for (const { name, value } of next.attributes) {
    if (now.getAttribute(name) !== value) now.setAttribute(name, value);
  }
  // What has a key is found again wherever it stands; the rest goes by its place.
  const keyed = new Map();
  for (const child of now.children) {
    if (child.dataset.key) keyed.set(child.dataset.key, child);
  }
  let at = now.firstChild;
  for (const child of [...next.childNodes]) {
    const key = child.dataset && child.dataset.key;
    let same = key ? keyed.get(key) : at;
    if (!key && same && same.dataset && same.dataset.key) same = null; // is wanted further on
    if (same && key && same !== at) {
      now.insertBefore(same, at);
      at = same;
    }
    if (!same || same.nodeName !== child.nodeName) {
      now.insertBefore(document.adoptNode(child), at);
      continue;
    }
    if (same.nodeType === Node.TEXT_NODE) {
      if (same.data !== child.data) same.data = child.data;
    } else if (same.nodeType === Node.ELEMENT_NODE) {
      alike(same, child);
    }
    at = same.nextSibling;
  }
  while (at) {
    const gone = at;
    at = at.nextSibling;
    gone.remove();
  }
}
