// What is kept on this phone: entries and photographs in IndexedDB, and small notes such as mode and language.

async function openStore() {
  try {
    const name = `densite ${PAGE.study.id}`, shelves = { name, base: await openShelves(name) };
    askToLast(); // not waited for: some browsers ask the person first
    return shelfStore(shelves);
  } catch (error) {
    return fleetingStore();
  }
}

function openShelves(name) {
  return new Promise((resolve, reject) => {
    const asked = indexedDB.open(name, 1);
    asked.onupgradeneeded = () => {
      asked.result.createObjectStore("entries", { keyPath: "id" });
      asked.result.createObjectStore("photos", { keyPath: "id" }).createIndex("entry", "entry");
      asked.result.createObjectStore("notes", { keyPath: "key" });
    };
    asked.onsuccess = () => resolve(asked.result);
    asked.onerror = () => reject(asked.error);
    asked.onblocked = () => reject(new Error("blocked"));
  });
}

// A browser that is short of room may clear a site; asked to, most leave it alone.
async function askToLast() {
  try {
    await navigator.storage.persist();
  } catch (error) {
    // It stays as it was: kept, for as long as the browser has room.
  }
}

// Some browsers drop the store of a page that was in the background: then it is opened once more.
async function withBase(shelves, work) {
  try {
    return await work(shelves.base);
  } catch (error) {
    if (error.name === "QuotaExceededError") throw error;
    shelves.base = await openShelves(shelves.name);
    return work(shelves.base);
  }
}

function shelfStore(shelves) {
  const write = (shelf, act) => withBase(shelves, (base) => shelfWrite(base, shelf, act));
  const read = (shelf, ask) => withBase(shelves, (base) => shelfRead(base, shelf, ask));
  return {
    fleeting: false,
    put: (entry) => write("entries", (s) => s.put(entry)),
    get: (id) => read("entries", (s) => s.get(id)),
    all: () => read("entries", (s) => s.getAll()),
    remove: (id) => write("entries", (s) => s.delete(id)),
    putPhoto: async (entry, blob) => {
      const photo = { id: newId(), entry, blob, taken_at: momentNow() };
      await write("photos", (s) => s.put(photo));
      return photo;
    },
    photos: (entry) => read("photos", (s) => s.index("entry").getAll(entry)),
    dropPhoto: (id) => write("photos", (s) => s.delete(id)),
    note: (key, value) => write("notes", (s) => s.put({ key, value })),
    noted: async (key) => ((await read("notes", (s) => s.get(key))) || {}).value,
  };
}

function shelfWrite(base, name, act) {
  return new Promise((resolve, reject) => {
    // Strict: a phone whose battery dies must have it on its disk, not only in the system's buffers.
    const work = base.transaction(name, "readwrite", { durability: "strict" });
    act(work.objectStore(name));
    work.oncomplete = () => resolve();
    work.onabort = work.onerror = () => reject(work.error || new Error("aborted"));
    if (work.commit) work.commit(); // a page that is being left does not wait for its events
  });
}

function shelfRead(base, name, ask) {
  return new Promise((resolve, reject) => {
    const asked = ask(base.transaction(name).objectStore(name));
    asked.onsuccess = () => resolve(asked.result);
    asked.onerror = () => reject(asked.error);
  });
}

// Where the browser denies a store, entries last as long as the page: the screens say so all the time.
function fleetingStore() {
  const entries = new Map(), photos = new Map(), notes = new Map();
  return {
    fleeting: true,
    put: async (entry) => { entries.set(entry.id, structuredCopy(entry)); },
    get: async (id) => entries.get(id),
    all: async () => [...entries.values()],
    remove: async (id) => { entries.delete(id); },
    putPhoto: async (entry, blob) => {
      const photo = { id: newId(), entry, blob, taken_at: momentNow() };
      photos.set(photo.id, photo);
      return photo;
    },
    photos: async (entry) => [...photos.values()].filter((photo) => photo.entry === entry),
    dropPhoto: async (id) => { photos.delete(id); },
    note: async (key, value) => { notes.set(key, value); },
    noted: async (key) => notes.get(key),
  };
}

function structuredCopy(value) {
  return JSON.parse(JSON.stringify(value));
}

// crypto.randomUUID is only there in secure contexts; a form served in the office's network is none.
function newId() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
}

// ISO 8601 with the phone's offset: the clock as the crew saw it, and the moment.
function momentNow(now = new Date()) {
  const two = (number) => String(Math.trunc(Math.abs(number))).padStart(2, "0");
  const offset = -now.getTimezoneOffset();
  const zone = `${offset < 0 ? "-" : "+"}${two(offset / 60)}:${two(offset % 60)}`;
  const day = `${now.getFullYear()}-${two(now.getMonth() + 1)}-${two(now.getDate())}`;
  const clock = `${two(now.getHours())}:${two(now.getMinutes())}:${two(now.getSeconds())}`;
  return `${day}T${clock}.${String(now.getMilliseconds()).padStart(3, "0")}${zone}`;
}
