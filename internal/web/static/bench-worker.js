// Answers the bench's pages where the network does not, with the shell that this phone keeps, and sends tests when a signal comes back.
// The server writes "kept" before this: the cache's name, which changes with anything in it, the shell, its files, the queue's script.
"use strict";
importScripts(kept.queue);

self.addEventListener("install", e => e.waitUntil((async () => {
	const cache = await caches.open(kept.cache);
	await cache.addAll([kept.shell, ...kept.files].map(url => new Request(url, {cache: "reload"})));
	await self.skipWaiting();
})()));

self.addEventListener("activate", e => e.waitUntil((async () => {
	for (const name of await caches.keys()) if (name.startsWith("rimeyard-bench-") && name != kept.cache) await caches.delete(name);
	await self.clients.claim();
})()));

self.addEventListener("fetch", e => {
	const url = new URL(e.request.url);
	if (e.request.method != "GET" || url.origin != location.origin) return;
	if (e.request.mode == "navigate" && (url.pathname == "/bench" || url.pathname.startsWith("/bench/"))) e.respondWith(page(e.request));
	else if (url.pathname.startsWith("/static/")) e.respondWith(caches.match(e.request).then(found => found || fetch(e.request)));
});

const patienceMs = 6000;

// page is the server's own while it answers. The shell, which has nobody's data in it, stands in where it does not, and where it asks for a
// sign-in first: typing goes on meanwhile.
async function page(request) {
	try {
		const answer = await Promise.race([fetch(request), new Promise((_, fail) => setTimeout(fail, patienceMs))]);
		if (answer.type != "opaqueredirect" && answer.status < 500) return answer;
	} catch {} // no signal
	return await caches.match(kept.shell, {cacheName: kept.cache}) || fetch(request);
}

self.addEventListener("sync", e => {
	if (e.tag == "rimeyard-bench") e.waitUntil(bench.send(true).then(heard => { if (heard == "no signal") throw new Error(heard); }));
});
