// The desk works without this.  It shows long work as it goes, and what a choice would make of rows
// as soon as it is made.
"use strict";

const lines = document.querySelector("[data-lines]");
if (lines) {
  const told = new EventSource(lines.dataset.lines);
  told.onmessage = (event) => {
    lines.querySelector(".soft")?.remove();
    const line = document.createElement("li");
    [line.textContent, line.lang] = JSON.parse(event.data);
    lines.append(line);
  };
  told.addEventListener("seconds", (event) => {
    document.querySelector("[data-seconds]").textContent = event.data;
  });
  told.addEventListener("done", () => { told.close(); location.reload(); });
  // the page is asked again after a while: it has the lines that came meanwhile
  told.onerror = () => { told.close(); setTimeout(() => location.reload(), 2000); };
}

const again = document.querySelector("[data-again]");
if (again) setTimeout(() => location.replace(again.dataset.again), 1000);

for (const live of document.querySelectorAll("form[data-live]")) {
  let asked = 0;
  live.addEventListener("change", async () => {
    const mine = ++asked;
    const parts = [...document.querySelectorAll("[data-part]")];
    const place = `${live.action}?${new URLSearchParams(new FormData(live))}`;
    let page = null;
    try {
      const answer = await fetch(place);
      page = new DOMParser().parseFromString(await answer.text(), "text/html");
    } catch { /* the form is sent instead, and the browser says what is wrong */ }
    if (mine !== asked) return;  // a later choice has been made
    const fresh = parts.map((part) => page && page.getElementById(part.id));
    if (fresh.some((part) => !part)) {
      live.submit();
      return;
    }
    parts.forEach((part, n) => part.replaceChildren(...fresh[n].childNodes));
    history.replaceState(null, "", place);
  });
}
