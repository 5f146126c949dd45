// Films kept on the phone: what is known of each, and its pieces, in the browser's own database.
// Pieces are written as they come, so that a crash costs at most the last second.

const NAME = "teesquare.films";
const LOCK = "teesquare.film.";

/** Trouble that a person can do something about; `key` of the texts. */
export class StoreTrouble extends Error {
  constructor(key, options) {
    super(key, options);
    this.key = key;
  }
}

export class FilmStore {
  #db = null;

  /** Opens the database. Throws StoreTrouble where the browser keeps nothing (private mode). */
  async open() {
    this.#db ??= new Promise((resolve, reject) => {
      if (!globalThis.indexedDB) {
        reject(new StoreTrouble("film.trouble.none"));
        return;
      }
      const asked = indexedDB.open(NAME, 1);
      asked.onupgradeneeded = () => {
        asked.result.createObjectStore("films", { keyPath: "id" });
        asked.result.createObjectStore("pieces", { keyPath: ["film", "n"] });
      };
      asked.onsuccess = () => {
        asked.result.onclose = () => {
          this.#db = null; // emptied from outside: the next call opens it anew
        };
        resolve(asked.result);
      };
      asked.onerror = () => reject(trouble(asked.error));
    });
    try {
      return await this.#db;
    } catch (error) {
      this.#db = null;
      throw error;
    }
  }

  /** Asks the browser not to clear films away by itself; resolves to whether it agreed. */
  async persist() {
    return (await navigator.storage?.persist?.().catch(() => false)) ?? false;
  }

  /** Bytes that may still be kept, null where the browser does not tell. */
  async room() {
    const told = await navigator.storage?.estimate?.().catch(() => null);
    return told?.quota ? Math.max(0, told.quota - told.usage) : null;
  }

  /** A film's entry, new or changed. */
  async put(film) {
    await this.#write(["films"], (films) => films.put(film));
  }

  /** One more piece (Blob) of a film, and its entry with it: both or neither. */
  async add(film, n, blob) {
    // Not the Blob itself: some browsers keep only a pointer to a file that goes with the page.
    const bytes = await blob.arrayBuffer();
    await this.#write(["films", "pieces"], (films, pieces) => {
      pieces.put({ film: film.id, n, bytes });
      films.put(film);
    });
  }

  /** All entries, newest first. */
  async list() {
    const films = await this.#read("films", (store) => store.getAll());
    return films.sort((a, b) => b.startedMs - a.startedMs);
  }

  /** The film's pieces in order, as ArrayBuffers. */
  async pieces(id) {
    const range = IDBKeyRange.bound([id, 0], [id, Infinity]);
    return (await this.#read("pieces", (store) => store.getAll(range))).map((piece) => piece.bytes);
  }

  async remove(id) {
    await this.#write(["films", "pieces"], (films, pieces) => {
      films.delete(id);
      pieces.delete(IDBKeyRange.bound([id, 0], [id, Infinity]));
    });
  }

  /** Films that a page left unfinished, each marked as such from now on; none that still runs. */
  async recover() {
    const running = await held();
    const found = [];
    for (const film of await this.list()) {
      if (film.state !== "filming" || running.has(film.id)) continue;
      // An entry without a piece is a film that never began.
      if (film.pieces === 0) await this.remove(film.id);
      else {
        const kept = { ...film, state: "unfinished" };
        await this.put(kept);
        found.push(kept);
      }
    }
    return found;
  }

  async #write(names, act) {
    const db = await this.open();
    await new Promise((resolve, reject) => {
      let change;
      try {
        change = db.transaction(names, "readwrite");
      } catch (error) {
        reject(trouble(error));
        return;
      }
      change.oncomplete = resolve;
      change.onabort = () => reject(trouble(change.error));
      try {
        act(...names.map((name) => change.objectStore(name)));
      } catch (error) {
        reject(trouble(error));
      }
    });
  }

  async #read(name, act) {
    const db = await this.open();
    return new Promise((resolve, reject) => {
      const asked = act(db.transaction([name]).objectStore(name));
      asked.onsuccess = () => resolve(asked.result);
      asked.onerror = () => reject(trouble(asked.error));
    });
  }
}

/** Says to other tabs that a film is running here; call the result when it has ended. */
export function holdFilm(id) {
  let release = () => {};
  navigator.locks?.request(LOCK + id, () => new Promise((resolve) => {
    release = resolve;
  })).catch(() => {
    // Without locks another tab may call this film unfinished while it runs: nothing is lost.
  });
  return () => release();
}

async function held() {
  const locks = await navigator.locks?.query?.().catch(() => null);
  return new Set((locks?.held ?? []).map(({ name }) => name.slice(LOCK.length)));
}

function trouble(error) {
  if (error instanceof StoreTrouble) return error;
  const full = error?.name === "QuotaExceededError";
  return new StoreTrouble(full ? "film.trouble.full" : "film.trouble.lost", { cause: error });
}
