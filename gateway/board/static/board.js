/* Open pages are told what has changed, and ask for their changing part again. Without this script
   every page works the same; it is then as old as its last loading. */
"use strict";
(() => {
  const live = document.getElementById("live");
  const link = document.getElementById("link");
  if (!live) return;
  const kinds = live.dataset.kinds.split(" ").filter(Boolean);

  // ------------------------------------------------ the changing part
  const here = () => {
    const url = new URL(location.href);
    url.hash = "";
    url.searchParams.delete("done");
    url.searchParams.set("part", "live");
    return url;
  };
  let timer = 0;
  let asking = false;
  let again = false;
  const soon = () => {
    // Not all open pages at the same moment.
    if (!timer) timer = setTimeout(refresh, 100 + Math.random() * 1200);
  };
  const refresh = async () => {
    timer = 0;
    if (asking) { again = true; return; }
    if (document.hidden) { again = true; return; }
    asking = true;
    try {
      const answer = await fetch(here(), { credentials: "same-origin", redirect: "manual" });
      if (answer.ok) { replace(await answer.text()); say(""); }
      else if (answer.type === "opaqueredirect" || answer.status === 401) {
        say("You are signed out. Load the page again to sign in.");
      } else say(`The board could not be asked (status ${answer.status}). What is shown may be old.`);
    } catch { say("The board cannot be reached. What is shown may be old."); }
    asking = false;
    if (again) { again = false; soon(); }
  };
  const replace = (html) => {
    if (html === replace.last) return;
    replace.last = html;
    const chosen = new Set([...live.querySelectorAll('input[name="pick"]:checked')].map((i) => i.value));
    const open = [...live.querySelectorAll("details")].map((d) => d.open);
    const focus = document.activeElement;
    const held = live.contains(focus)
      ? { value: focus.value, href: focus.getAttribute("href"), name: focus.getAttribute("name") } : null;
    live.innerHTML = html;
    for (const box of live.querySelectorAll('input[name="pick"]')) box.checked ||= chosen.has(box.value);
    live.querySelectorAll("details").forEach((d, i) => { d.open ||= Boolean(open[i]); });
    if (held) {
      const same = [...live.querySelectorAll("a[href], input, button")].find((e) =>
        held.href !== null ? e.getAttribute("href") === held.href
          : e.getAttribute("name") === held.name && e.value === held.value);
      if (same) same.focus({ preventScroll: true });
    }
    boxes();
    document.dispatchEvent(new Event("board-changed"));
  };
  const say = (text) => { if (link && link.textContent !== text) link.textContent = text; };
  document.addEventListener("visibilitychange", () => { if (!document.hidden && again) { again = false; soon(); } });

  if (kinds.length && "EventSource" in window) {
    let lost = 0;
    const source = new EventSource(`${live.dataset.root}live`);
    source.addEventListener("change", (event) => {
      if (event.data.split(" ").some((kind) => kinds.includes(kind))) soon();
    });
    source.addEventListener("hello", () => { clearTimeout(lost); lost = 0; if (link.textContent) soon(); });
    source.addEventListener("error", () => {
      if (!lost) lost = setTimeout(() => say("Not connected. What is shown may be old."), 8000);
    });
    addEventListener("pagehide", () => source.close());
    // What is said of "12 min" grows old by itself.
    setInterval(soon, 60000);
  }

  // ------------------------------------------------ choosing many alarms
  const boxes = () => {
    const all = document.getElementById("all");
    if (!all) return;
    const picks = () => [...live.querySelectorAll('input[name="pick"]')];
    const count = () => {
      const list = picks();
      const n = list.filter((box) => box.checked).length;
      all.checked = n > 0 && n === list.length;
      all.indeterminate = n > 0 && n < list.length;
      const told = document.getElementById("chosen");
      if (told) told.textContent = n ? `${n} chosen:` : "Choose alarms above, then:";
    };
    all.hidden = false;
    all.onchange = () => { for (const box of picks()) box.checked = all.checked; count(); };
    for (const box of picks()) box.onchange = count;
    count();
  };
  boxes();
})();
