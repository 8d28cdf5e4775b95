// The bench on a phone: keeps the depot's facts, shows what waits, sends it when there is a signal, and fills in the shell without one.
"use strict";
(async () => {
	const root = document.getElementById("bench");
	if (!root) return;
	const shell = root.dataset.page == "shell", path = location.pathname, query = new URLSearchParams(location.search);
	const byID = id => document.getElementById(id);
	const el = (tag, text, of = {}) => Object.assign(document.createElement(tag), {textContent: benchForm.unbroken(text)}, of);
	const many = (n, one, more) => n == 1 ? `1 ${one}` : `${n} ${more}`;
	let facts, shown, signal = shell ? "" : "sent";

	if ("serviceWorker" in navigator) navigator.serviceWorker.register("/bench/worker.js", {scope: "/bench"}).catch(() => {}); // then online only

	const clock = t => new Date(t).toLocaleString("en-GB", {day: "numeric", month: "short", hour: "2-digit", minute: "2-digit"});
	function age(since) {
		const minutes = Math.max(0, Math.round((Date.now() - new Date(since)) / 60000));
		return minutes < 60 ? many(minutes, "minute", "minutes") : minutes < 48 * 60 ? many(Math.round(minutes / 60), "hour", "hours") : many(Math.round(minutes / 1440), "day", "days");
	}

	// freshen fetches the depot's facts anew. Whoever may no longer have them loses them.
	async function freshen() {
		let answer;
		try {
			const depot = root.dataset.depot ? "?depot=" + encodeURIComponent(root.dataset.depot) : "";
			answer = await fetch("/bench/facts" + depot, {headers: {Accept: "application/json"}, signal: AbortSignal.timeout(20000)});
			const got = await answer.json();
			if (answer.ok && got.format == 1) {
				facts = got;
				await bench.keep("facts", got);
				return signal = "sent";
			}
			signal = answer.status == 401 ? got.type == "/problems/phone" ? "let go" : "signed out" : answer.status == 403 ? "not for you" : "no signal";
		} catch { return signal = "no signal"; }
		if (signal == "let go" || signal == "not for you") {
			await bench.unkeep("facts");
			facts = undefined;
		}
		return signal;
	}

	// tell says how it stands with the signal, and of what age the facts are.
	function tell(waiting) {
		const state = byID("bench-state"), wait = `${many(waiting, "test waits", "tests wait")} on this phone`;
		const door = el("a", "Sign in", {href: "/sign-in?next=" + encodeURIComponent(path + location.search)});
		const later = waiting ? `${wait}; ${waiting == 1 ? "it is" : "they are"} sent once somebody signs in. ` : "Tests that you type wait here and are sent once somebody signs in. ";
		const says = {
			"no signal": [waiting ? `No signal. ${wait} and ${waiting == 1 ? "goes" : "go"} in when there is one.` : "No signal. Tests that you type wait on this phone."],
			"signed out": ["Nobody is signed in on this phone. " + later, door],
			"let go": ["This phone is let in no more. " + later, door],
			"not for you": ["Who is signed in may not send tests. " + later, door],
		}[signal] || [];
		state.hidden = !says.length;
		if (state.dataset.says != signal + waiting) state.replaceChildren(...says);
		state.dataset.says = signal + waiting;
		if (shell) byID("bench-age").textContent = facts ? `${facts.depot_name}, as this phone kept it ${age(facts.made_at)} ago (${clock(facts.made_at)})` : "Nothing is kept of any depot on this phone";
	}

	const read = r => benchForm.unbroken([r.rest_v && r.rest_v + " V", r.cca_a && `${r.cca_a} A ${(r.cca_standard || "").toUpperCase()}`, r.load_v && r.load_v + " V under load"].filter(Boolean).join(", "));

	// queue shows what waits and what became of the rest, newest first.
	async function queue() {
		const all = (await bench.tests()).sort((a, b) => a.typedAt < b.typedAt ? 1 : -1);
		const waiting = all.filter(t => t.state == "waits"), dayAgo = Date.now() - 86400000;
		for (const t of all) if (t.state == "over" && t.overAt < dayAgo && !open(t)) await bench.drop(t.entry);
		byID("bench-queue").hidden = !all.length;
		byID("bench-queue-title").textContent = waiting.length ? many(waiting.length, "test waits", "tests wait") + " for a signal" : "Sent from this phone";
		byID("bench-send").hidden = !waiting.length;
		byID("bench-queue").querySelector("ul").replaceChildren(...all.slice(0, 30).map(item));
		for (const li of document.querySelectorAll(".round [data-unit]")) mark(li, all);
		const stops = document.querySelectorAll(".round [data-unit]"), done = document.querySelectorAll(".round .done").length;
		if (shell && stops.length) byID("bench-title").textContent = `Round of ${facts.round.day}: ${done} of ${stops.length} tested`;
		tell(waiting.length);
		if (shown) result(all.find(t => t.entry == shown) || null, all);
		return waiting.length;
	}

	const open = t => t.outcome == "conflict" || t.outcome == "refused";

	function item(t) {
		const li = el("li", "", {className: t.state == "waits" ? "" : "over"});
		li.append(el("b", `${t.row.unit}: ${read(t.row)}`), `${clock(t.typedAt)}, ${t.row.tested_by}: `);
		if (t.state == "waits") li.append("waits for a signal");
		else {
			li.append(el("span", t.words + (t.reason ? `: ${t.reason}` : ""), {className: open(t) ? "wrong" : ""}), " ");
			const way = (says, href) => li.append(el("a", says, {href, ariaLabel: `${says}: ${t.row.unit} of ${clock(t.typedAt)}`}), " ");
			if (t.href) way(t.outcome == "conflict" ? "See both and decide" : "See it", t.href);
			if (t.outcome == "refused") way("Mend it", mendHref(t));
		}
		return li;
	}

	const mendHref = t => `/bench/unit?unit=${encodeURIComponent(t.row.unit)}&mend=${t.entry}`;

	// today tells whether a test of today stands, or will.
	const today = t => (t.state == "waits" || t.outcome == "taken") && new Date(t.typedAt).toDateString() == new Date().toDateString();

	function mark(li, all) {
		if (!all.some(t => t.row.unit == li.dataset.unit && today(t)) || li.classList.contains("done")) return;
		li.classList.add("done");
		const tick = el("span", "", {className: "tick-done"});
		tick.append(el("span", "✓", {ariaHidden: "true"}), " tested today");
		li.querySelector("p").before(" ", tick);
	}

	// result shows a test in the place of the form: first as the phone judges it, then as the server does.
	function result(t, all) {
		if (!t) return;
		const box = byID("bench-result"), first = box.hidden, over = t.state == "over", title = byID("bench-result-title");
		const said = over ? t.said : t.early;
		title.textContent = `${t.row.unit}: ${said ? said.verdict : t.words}`;
		box.querySelector(".means").textContent = over ? read(t.row) : `${read(t.row)}. As far as this phone can tell; the full verdict comes with a signal.`;
		box.querySelector(".evidence").replaceChildren(...(said?.sentences || []).map(s => el("li", s)));
		box.querySelector(".fate").textContent = over ? t.words + (t.reason ? `: ${t.reason}` : "") : "Saved on this phone; waits for a signal.";
		const ways = [el("a", "Back to the round", {href: "/bench"}), " ", el("a", `Test ${t.row.unit} again`, {href: "/bench/unit?unit=" + encodeURIComponent(t.row.unit)})];
		const next = facts?.round?.stands.flatMap(s => s.stops).find(s => !s.done && !all.some(other => other.row.unit == s.unit && today(other)));
		if (next) ways.unshift(el("a", `Next: ${next.unit}`, {href: "/bench/unit?unit=" + encodeURIComponent(next.unit)}), " ");
		if (t.outcome == "conflict") ways.unshift(el("a", "See both and decide", {href: t.href}), " ");
		if (t.outcome == "refused") ways.unshift(el("a", "Mend it", {href: mendHref(t)}), " ");
		box.querySelector(".under").replaceChildren(...ways);
		box.hidden = false;
		if (first) title.focus();
	}

	async function send(inTurn = false) {
		const heard = await bench.send(inTurn);
		if (heard != "busy") signal = heard;
		return queue();
	}

	async function saved(t) {
		shown = t.entry;
		byID("bench-form").hidden = true;
		await queue();
		if (navigator.storage?.persist) navigator.storage.persist().catch(() => {});
		if ("serviceWorker" in navigator) navigator.serviceWorker.ready.then(r => r.sync?.register("rimeyard-bench")).catch(() => {}); // else the page sends
		send(true);
	}

	// form fills the form in from the facts, from a test that is to be mended, and from what was typed when the phone died.
	async function form() {
		const f = byID("bench-form"), own = f.dataset.facts ? JSON.parse(f.dataset.facts) : null, by = f.elements.tested_by;
		const known = own || facts || {limits: [], odd: [], rules: {}, units: [], people: [], depot_name: ""};
		if (own && facts?.depot == own.depot) own.units.push(...facts.units.filter(u => !own.units.some(o => o.unit == u.unit))); // for another number
		if (shell) {
			f.elements.unit.value = query.get("unit") || "";
			by.replaceChildren(...known.people.map(p => el("option", p.says || p.name, {value: p.name})));
			if (!known.people.length) by.append(el("option", "whoever signs in", {value: ""}));
			by.value = known.person || "";
		}
		const tester = await bench.recall("tester");
		if (tester && [...by.options].some(o => o.value == tester)) by.value = tester;
		const wired = benchForm.wire(f, known, saved), mend = query.get("mend");
		const draft = await bench.recall("draft"), old = mend && await bench.test(mend);
		if (old) {
			f.elements.mends.value = mend;
			wired.refill(old.row);
			byID("bench-wrong").textContent = "It was not taken: " + old.reason;
			byID("bench-wrong").hidden = false;
		} else if (draft && draft.row.unit == f.elements.unit.value && !mend && Date.now() - draft.at < 12 * 3600000) wired.refill(draft.row);
	}

	function round() {
		const r = facts?.round, stands = byID("bench-stands");
		stands.replaceChildren(...(r?.stands || []).map(stand => {
			const section = el("section", ""), list = el("ol", "", {className: "round"});
			list.append(...stand.stops.map(stop => {
				const li = el("li", "", {className: stop.done ? "done" : ""}), band = el("span", "", {className: "band band-" + stop.look.word});
				li.dataset.unit = stop.unit;
				band.append(el("span", stop.look.shape, {ariaHidden: "true"}), " " + stop.look.word);
				li.append(el("a", stop.unit, {href: "/bench/unit?unit=" + encodeURIComponent(stop.unit)}), " ", band, el("p", stop.why, {className: "quiet"}));
				return li;
			}));
			section.append(el("h2", stand.title), list);
			return section;
		}));
		if (r?.empty) stands.prepend(el("p", r.empty, {className: "notice"}));
		const shelf = byID("bench-shelf"), batteries = r?.shelf || [];
		shelf.hidden = !batteries.length;
		shelf.querySelector("ul").replaceChildren(...batteries.map(b => {
			const li = el("li", "");
			li.append(el("b", b.serial), " ", el("span", b.part, {className: "quiet"}), el("p", b.why, {className: "quiet"}));
			return li;
		}));
	}

	// scan opens the camera where the browser reads codes by itself; the number can be typed everywhere.
	function scan() {
		const button = byID("bench-scan"), box = byID("bench-camera");
		if (!button || !("BarcodeDetector" in window) || !navigator.mediaDevices) return;
		const video = box.querySelector("video");
		let stream;
		const stop = () => { stream?.getTracks().forEach(t => t.stop()); stream = undefined; box.hidden = true; button.focus(); };
		button.hidden = false;
		box.querySelector("button").addEventListener("click", stop);
		button.addEventListener("click", async () => {
			try {
				stream = await navigator.mediaDevices.getUserMedia({video: {facingMode: "environment"}});
			} catch { return void (box.hidden = false, box.querySelector("p").textContent = "The camera cannot be used: type the number."); }
			box.hidden = false;
			video.srcObject = stream;
			await video.play();
			const detector = new BarcodeDetector({formats: ["qr_code"]});
			while (stream) {
				const [code] = await detector.detect(video).catch(() => []);
				const unit = code && unitOn(code.rawValue);
				if (unit) { stop(); location.href = "/bench/unit?unit=" + encodeURIComponent(unit); return; }
				await new Promise(done => requestAnimationFrame(done));
			}
		});
	}

	// unitOn reads our own label, whatever address the server had when it was printed.
	function unitOn(text) {
		try {
			const url = new URL(text);
			return url.pathname == "/bench/unit" ? url.searchParams.get("unit") : null;
		} catch { return null; }
	}

	try { facts = await bench.recall("facts"); } catch { return; } // a browser that keeps nothing: the pages work as without a script
	if (shell) {
		byID("bench-units").replaceChildren(...(facts?.units || []).map(u => el("option", "", {value: u.unit})));
		const at = path == "/bench/unit" ? "unit" : path.startsWith("/bench/tests/") ? "test" : "round";
		byID("bench-round").hidden = at != "round";
		byID("bench-unit").hidden = at != "unit";
		if (at == "round") {
			round();
			byID("bench-stands").before(byID("bench-state"), byID("bench-queue")); // as on the server's page
		}
		if (at == "unit") { byID("bench-title").textContent = "Test a unit"; await form(); }
		if (at == "test") { shown = path.slice("/bench/tests/".length); }
	} else if (root.dataset.page == "unit") await form();
	if (root.dataset.page == "test") { // what a person decided on the server's page holds for the phone's list too
		const mine = await bench.test(root.dataset.entry);
		if (mine?.state == "over") await bench.put({...mine, outcome: root.dataset.outcome, words: root.dataset.words, reason: ""});
	}
	scan();
	byID("bench-let-go")?.addEventListener("submit", async e => {
		e.preventDefault();
		await bench.forget().catch(() => {});
		e.target.submit();
	});
	byID("bench-send").addEventListener("click", () => send(true));
	bench.channel.onmessage = queue;
	addEventListener("online", () => send(true));
	document.addEventListener("visibilitychange", () => { if (!document.hidden) send(); });
	setInterval(async () => { if (!document.hidden && (await bench.tests()).some(t => t.state == "waits")) send(); }, 15000);
	await queue();
	if (path != "/bench/shell") await freshen(); // which is opened by nobody but its maker
	if (shell && !byID("bench-round").hidden) round();
	if (signal == "sent") await send(); else await queue();
	root.dataset.ready = "1";
})();
