// Signing out takes what the bench kept of the depot off the phone. Tests that wait for a signal stay, and whoever leaves is told of them.
"use strict";
for (const form of document.querySelectorAll('form[action="/sign-out"]')) {
	let warned = false;
	form.addEventListener("submit", e => {
		e.preventDefault();
		leave(form, warned).then(stay => { warned = stay; if (!stay) form.submit(); }, () => form.submit());
	});
}

async function leave(form, warned) {
	const db = await new Promise((done, fail) => {
		const ask = indexedDB.open("rimeyard-bench");
		ask.onupgradeneeded = () => ask.transaction.abort(); // this phone has never been at the bench
		ask.onsuccess = () => done(ask.result);
		ask.onerror = () => done(null);
	});
	if (!db) return false;
	const tx = db.transaction(["tests", "kept"], "readwrite");
	const read = tx.objectStore("tests").getAll();
	let waiting = 0;
	read.onsuccess = () => {
		waiting = read.result.filter(t => t.state == "waits").length;
		if (waiting && !warned) return;
		for (const t of read.result) if (t.state != "waits") tx.objectStore("tests").delete(t.entry);
		tx.objectStore("kept").clear();
	};
	await new Promise((done, fail) => { tx.oncomplete = done; tx.onabort = fail; });
	db.close();
	if (!waiting || warned) return false;
	const says = document.createElement("p");
	says.className = "wrong";
	says.setAttribute("role", "alert");
	says.textContent = `${waiting == 1 ? "1 test waits" : waiting + " tests wait"} on this phone for a signal. It stays here and is sent once somebody signs in. Press again to sign out.`;
	form.after(says);
	return true;
}
