// What the bench remembers on a phone, and how tests leave it. Pages and the worker share this file; it asks nothing of a document.
"use strict";
const bench = (() => {
	const name = "rimeyard-bench";
	let opened;

	function open() {
		opened ??= new Promise((done, fail) => {
			const ask = indexedDB.open(name, 1);
			ask.onupgradeneeded = () => {
				ask.result.createObjectStore("tests", {keyPath: "entry"});
				ask.result.createObjectStore("kept");
			};
			ask.onsuccess = () => done(ask.result);
			ask.onerror = () => fail(ask.error);
		}).catch(err => { opened = undefined; throw err; });
		return opened;
	}

	// within ends once what was written is on the disk, so that a phone that dies right after loses nothing.
	async function within(store, mode, work) {
		const db = await open();
		return new Promise((done, fail) => {
			const tx = db.transaction(store, mode, {durability: "strict"});
			const ask = work(tx.objectStore(store));
			tx.oncomplete = () => done(ask.result);
			tx.onabort = () => fail(tx.error);
		});
	}

	const tests = () => within("tests", "readonly", s => s.getAll());
	const test = entry => within("tests", "readonly", s => s.get(entry));
	const put = t => within("tests", "readwrite", s => s.put(t)).then(changed);
	const drop = entry => within("tests", "readwrite", s => s.delete(entry)).then(changed);
	const recall = key => within("kept", "readonly", s => s.get(key));
	const keep = (key, value) => within("kept", "readwrite", s => s.put(value, key));
	const unkeep = key => within("kept", "readwrite", s => s.delete(key));

	// What anybody else on this phone must learn of: other tabs, and the page when the worker has sent.
	const channel = new BroadcastChannel(name);
	const changed = () => channel.postMessage("changed");

	// forget drops what was kept of the depot and what has come to its end; tests that wait are never dropped.
	async function forget() {
		await unkeep("facts");
		await unkeep("tester");
		for (const t of await tests()) if (t.state != "waits") await drop(t.entry);
	}

	function newEntry() {
		const bytes = crypto.getRandomValues(new Uint8Array(16));
		return btoa(String.fromCharCode(...bytes)).replaceAll("+", "-").replaceAll("/", "_").replaceAll("=", "");
	}

	// send sends what waits, one test after the other, and tells how far it came: "sent", "no signal", "signed out", "let go", "not for you",
	// or "busy" while another tab or the worker is at it. Each test goes under its own key, so that sending it twice takes it once. Who has
	// learned of something new waits for its turn, as whoever is at it may have tried before that.
	async function send(inTurn = false) {
		if (!navigator.locks) return sendAll();
		return navigator.locks.request(name, {ifAvailable: !inTurn}, lock => lock ? sendAll() : "busy");
	}

	async function sendAll() {
		const waiting = (await tests()).filter(t => t.state == "waits").sort((a, b) => a.typedAt < b.typedAt ? -1 : 1);
		for (const t of waiting) {
			const heard = await sendOne(t);
			if (heard != "sent") return heard;
		}
		return "sent";
	}

	async function sendOne(t) {
		let answer, said;
		try {
			answer = await fetch("/bench/tests", {
				method: "POST", headers: {"Content-Type": "application/json", Accept: "application/json"}, redirect: "error",
				body: JSON.stringify({entry: t.entry, mends: t.mends || "", row: t.row}), signal: AbortSignal.timeout(20000),
			});
			said = await answer.json(); // what is not ours, like a hotel's sign-in page, is no signal
		} catch { return "no signal"; }
		if (answer.ok && said.entry == t.entry) {
			await put({...t, state: "over", outcome: said.outcome, words: said.words, reason: said.reason, href: said.href, said: said.said, overAt: Date.now()});
			return "sent";
		}
		switch (answer.status) {
		case 401: return said.type == "/problems/phone" ? "let go" : "signed out";
		case 403: return "not for you";
		case 400: case 404: case 413: case 415: // sent again it would be no better
			await put({...t, state: "over", outcome: "refused", words: "not taken", reason: said.detail || said.title, overAt: Date.now()});
			return "sent";
		}
		return "no signal";
	}

	return {tests, test, put, drop, recall, keep, unkeep, forget, newEntry, send, channel};
})();
