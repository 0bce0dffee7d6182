// Follows each change of a form.live: sends it, and swaps in what the answer holds. Without this script every form
// has a button that does the same. Nothing is fetched from elsewhere.
"use strict";
(() => {
  document.documentElement.classList.add("js");
  const byId = (id) => document.getElementById(id);
  let running = null;
  let waiting = 0;

  // The address or the request that a form makes.
  const request = (form) => {
    const fields = new URLSearchParams();
    for (const [name, value] of new FormData(form)) {
      if (typeof value === "string" && value !== "") fields.append(name, value);
    }
    const path = new URL(form.getAttribute("action") || location.pathname, location.href).pathname;
    if (form.method === "post") return [path, { method: "POST", body: fields }];
    const query = fields.toString();
    return [query ? `${path}?${query}` : path, { method: "GET" }];
  };

  // What a person was at: the focused field and its selection.
  const place = () => {
    const at = document.activeElement;
    let ends = null;
    try { ends = [at.selectionStart, at.selectionEnd]; } catch { /* has no text */ }
    return { id: at && at.id, ends };
  };
  const back = ({ id, ends }) => {
    const at = id && byId(id);
    if (!at || at === document.activeElement) return;
    at.focus({ preventScroll: true });
    try { if (ends && ends[0] !== null) at.setSelectionRange(ends[0], ends[1]); } catch { /* has no text */ }
  };

  const opened = () => [...document.querySelectorAll("details[id][open]")].map((one) => one.id);

  // Swaps in a part of a page that came.
  const swap = (page, id) => {
    const [old, fresh] = [byId(id), page.getElementById(id)];
    if (!old || !fresh) return;
    const [was, open, top] = [place(), opened(), scrollY];
    old.replaceWith(fresh);
    for (const one of open) { const details = byId(one); if (details) details.open = true; }
    back(was);
    scrollTo({ top, behavior: "instant" });
  };

  const say = (text) => { const status = byId("status"); if (status) status.textContent = text; };

  const follow = async (form, anew) => {
    if (running) running.abort();
    const mine = running = new AbortController();
    const [address, options] = request(form);
    const slow = setTimeout(() => byId("answer")?.classList.add("busy"), 150);
    try {
      const response = await fetch(address, { ...options, signal: mine.signal, headers: { Accept: "text/html" } });
      const text = await response.text();
      if (mine.signal.aborted) return;
      const page = new DOMParser().parseFromString(text, "text/html");
      if (!page.getElementById("answer")) throw new Error("refused");
      swap(page, "messages");
      if (anew) swap(page, "main"); else swap(page, "answer");
      document.title = page.title;
      if (options.method === "GET") history.replaceState(null, "", address);
      const news = byId("answer").querySelector("[data-say]");
      say(news ? news.textContent : byId("answer").textContent.trim().slice(0, 120));
      document.dispatchEvent(new CustomEvent("desk:swapped"));
    } catch (error) {
      if (error.name !== "AbortError") say("The desk does not answer. Is it still running?");
    } finally {
      clearTimeout(slow);
      byId("answer")?.classList.remove("busy");
      if (running === mine) running = null;
    }
  };

  const formOf = (field) => field.form && field.form.classList.contains("live") ? field.form : null;

  document.addEventListener("change", (event) => {
    const form = formOf(event.target);
    if (!form) return;
    clearTimeout(waiting);
    follow(form, event.target.dataset.anew !== undefined);
  });
  // Text is followed when typing pauses; what is picked from a list, at once.
  document.addEventListener("input", (event) => {
    const field = event.target;
    const form = formOf(field);
    if (form && field.list && event.inputType === "insertReplacementText") {
      clearTimeout(waiting);
      follow(form, field.dataset.anew !== undefined);
      return;
    }
    if (!form || !/^(text|search)$|textarea/.test(field.type) || field.dataset.anew !== undefined) return;
    clearTimeout(waiting);
    waiting = setTimeout(() => follow(form, false), 350);
  });
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (form.classList.contains("live")) {
      event.preventDefault();
      clearTimeout(waiting);
      follow(form, document.activeElement?.dataset.anew !== undefined);
    } else if (form.method === "post") {
      // Once: the number in the form makes a second one harmless, this makes it rare.
      setTimeout(() => form.querySelectorAll("button").forEach((one) => { one.disabled = true; }));
    }
  });
  addEventListener("pageshow", () => document.querySelectorAll("button:disabled").forEach((one) => { one.disabled = false; }));

  // Work under way is looked at until it is done.
  const poll = async () => {
    const work = document.querySelector("[data-poll]");
    if (!work) return;
    const response = await fetch(work.dataset.poll).catch(() => null);
    if (response?.redirected) { location.replace(response.url); return; }
    if (response?.ok) {
      const page = new DOMParser().parseFromString(await response.text(), "text/html");
      swap(page, "messages");
      if (page.querySelector("[data-poll]")) swap(page, "working"); else { swap(page, "main"); say("Done"); }
    }
    setTimeout(poll, 400);
  };
  setTimeout(poll, 400);
  document.addEventListener("desk:swapped", () => setTimeout(poll, 400));

  // A sheet can be dropped on its form.
  const dropped = (event) => event.target.closest?.("form.drop");
  document.addEventListener("dragover", (event) => {
    const form = dropped(event);
    if (!form) return;
    event.preventDefault();
    form.classList.add("over");
  });
  document.addEventListener("dragleave", (event) => dropped(event)?.classList.remove("over"));
  document.addEventListener("drop", (event) => {
    const form = dropped(event);
    if (!form) return;
    event.preventDefault();
    form.classList.remove("over");
    if (!event.dataTransfer.files.length) return;
    form.querySelector("input[type=file]").files = event.dataTransfer.files;
    form.requestSubmit();
  });

  // A list of models too long for the page is fetched as a name is typed.
  document.addEventListener("input", async (event) => {
    const field = event.target;
    if (!field.list || !field.closest("[data-many]")) return;
    const typed = field.value;
    const response = await fetch(`/price/models?q=${encodeURIComponent(typed)}`).catch(() => null);
    if (!response?.ok || field.value !== typed) return;
    field.list.replaceChildren(...(await response.json()).map(([name, hint]) => {
      const option = document.createElement("option");
      option.value = name;
      if (hint) option.label = hint;
      return option;
    }));
  });
})();
