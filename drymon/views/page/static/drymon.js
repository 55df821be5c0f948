// Asks for the page's living part again, says how old it is, and greys it when no answer comes.
// Without this script the page still works; it then loads itself anew every half minute.
"use strict";
(() => {
  const EVERY_MS = 12000, STALE_MS = 45000;
  const part = document.getElementById("part"), poll = part ? part.dataset.poll : "/part/clock", clock = document.getElementById("clock");
  const age = document.getElementById("age"), stale = document.getElementById("stale");
  let heard = Date.now(), etag = null, asking = false;

  function keepPlace(html) {
    const typed = (each) => each === document.activeElement || (each.tagName === "INPUT" && each.value !== each.defaultValue);
    if (!part || [...part.querySelectorAll("input:not([type=hidden]), select")].some(typed)) return false;
    const focus = document.activeElement && part.contains(document.activeElement) ? document.activeElement.id : "";
    const open = [...part.querySelectorAll("details[open]")].map((each) => each.id);
    part.innerHTML = html;
    open.forEach((id) => { const each = id && document.getElementById(id); if (each) each.open = true; });
    if (focus) document.getElementById(focus)?.focus({ preventScroll: true });
    return true;
  }

  async function ask() {
    if (asking || document.hidden) return;
    asking = true;
    const giveUp = new AbortController(), timer = setTimeout(() => giveUp.abort(), 8000);
    try {
      const answer = await fetch(poll, {
        headers: etag ? { "If-None-Match": etag } : {}, cache: "no-store", redirect: "error", signal: giveUp.signal,
      });
      if (answer.status === 404) { location.reload(); return; }
      if (answer.status !== 200 && answer.status !== 304) return;
      if (answer.status === 200 && keepPlace(await answer.text())) etag = answer.headers.get("ETag");
      heard = Date.now();
      document.getElementById("broker").hidden = answer.headers.get("X-Broker") !== "gone";
      clock.textContent = answer.headers.get("X-Room-Clock") || clock.textContent;
    } catch { /* no answer: the timer below says so */ } finally { clearTimeout(timer); asking = false; show(); }
  }

  function show() {
    const old = Date.now() - heard, gone = old > STALE_MS;
    const seconds = Math.floor(old / 1000);
    age.textContent = seconds < 20 ? "" : seconds < 120 ? `, ${seconds} s ago` : `, ${Math.floor(seconds / 60)} min ago`;
    if (gone !== document.body.classList.contains("stale")) {
      document.getElementById("since").textContent = clock.textContent;
      document.body.classList.toggle("stale", gone);
      stale.hidden = !gone;
    }
  }

  if (!("quiet" in document.body.dataset)) {
    setInterval(ask, EVERY_MS);
    setInterval(show, 1000);
    document.addEventListener("visibilitychange", () => { show(); ask(); });
    window.addEventListener("online", ask);
    window.addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
  }

  // One picture is drawn after another: one that had to wait too long is asked for once more.
  document.addEventListener("error", (event) => {
    const each = event.target;
    if (each.tagName !== "IMG" || each.dataset.again) return;
    each.dataset.again = "yes";
    setTimeout(() => { each.src = each.currentSrc + (each.currentSrc.includes("?") ? "&again" : "?again"); each.closest("picture")?.querySelectorAll("source").forEach((one) => one.remove()); }, 8000);
  }, true);

  // Narrow screens scroll pictures sideways: what is newest stands at their right.
  document.querySelectorAll(".newest").forEach((each) => { each.scrollLeft = each.scrollWidth; });

  // The service starts anew: it is gone for a moment, then it is back.
  const again = document.getElementById("again");
  if (again) {
    let gone = false, asked = 0;
    const look = async () => {
      asked += 1;
      try {
        const answer = await fetch("/part/clock", { cache: "no-store" });
        if (answer.ok && (gone || asked > 20)) { location.href = again.dataset.to; return; }
      } catch { gone = true; }
      setTimeout(look, 500);
    };
    setTimeout(look, 500);
  }

  // A second tap of an impatient glove must not log a second time.
  document.addEventListener("submit", (event) => {
    if (event.target.dataset.sent) { event.preventDefault(); return; }
    event.target.dataset.sent = "yes";
    event.target.querySelectorAll("button").forEach((each) => each.setAttribute("aria-busy", "true"));
  });
})();
