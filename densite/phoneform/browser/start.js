// The start: open the store, take up mode and language, draw the screen that the address names.

async function startForm() {
  await loadEntries();
  const noted = async (key) => { try { return await held.store.noted(key); } catch (error) { return undefined; } };
  const language = await noted("language");
  setLanguage(PAGE.words[language] ? language : PAGE.language);
  turnBack.times = (await noted("turn back")) || {};
  look.mode = (await noted("mode")) || "day";
  document.documentElement.dataset.mode = look.mode;
  followPage();
  lookForOthers();
  drawScreen();
  document.documentElement.dataset.ready = "yes";
  if (PAGE.worker) keepForm();
}

// Served from an address, the form is kept by its worker; where the browser has none, it says so before the crew leaves.
async function keepForm() {
  try {
    await navigator.serviceWorker.register(PAGE.worker);
    await navigator.serviceWorker.ready;
    held.offline = "ready";
  } catch (error) {
    held.offline = "never";
  }
  if (document.getElementById("offline")) document.getElementById("offline").replaceChildren(...offlineWords());
}

// Each screen comes back at the height at which it was left; one that is opened anew begins at its top.
function followPage() {
  const heights = new Map();
  const mark = () => { if (!history.state) history.replaceState({ place: newId() }, ""); };
  mark();
  addEventListener("scroll", () => { if (history.state) heights.set(history.state.place, scrollY); }, { passive: true });
  history.scrollRestoration = "manual";
  addEventListener("hashchange", () => {
    writePending();
    const height = history.state ? heights.get(history.state.place) || 0 : 0; // a new address has no state yet
    mark();
    drawScreen();
    if (!addressNow().field) scrollTo(0, height);
  });
  for (const kind of ["pagehide", "visibilitychange"]) {
    addEventListener(kind, () => { if (kind === "pagehide" || document.hidden) leavePage(); else comeBack(); });
  }
  addEventListener("focus", comeBack);
  addEventListener("pageshow", (event) => { if (event.persisted) lookForOthers(); });
  setInterval(() => {
    showTurnBack();
    if (held.refused.size) writePending();
  }, 20000);
}

// Back from another tab, or from a night in the background: first what was written there.
async function comeBack() {
  try {
    if (!await freshen()) return;
  } catch (error) {
    return; // the next writing says whether anything can be kept
  }
  handlingHeld.entry = null;
  drawScreen();
}

// Two tabs would write over each other: both say so until one is closed.
function lookForOthers() {
  if (!window.BroadcastChannel) return;
  const channel = new BroadcastChannel(`densite ${PAGE.study.id}`);
  channel.onmessage = ({ data }) => {
    if (data === "here?") channel.postMessage("here");
    if (data === "gone") channel.postMessage("still here?"); // a third one answers
    if (data === "still here?") channel.postMessage("here");
    held.twice = data !== "gone";
    showKept();
  };
  addEventListener("pagehide", () => {
    channel.postMessage("gone");
    channel.close();
  }, { once: true });
  channel.postMessage("here?");
}

function leavePage() {
  writePending();
  if (document.hidden) stopInstruments();
}

startForm().catch((error) => {
  document.getElementById("screen").textContent = say("told.not_started", { error: error.message });
});
