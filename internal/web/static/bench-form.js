// The bench's form: what cannot be is said while typing, what is odd is asked once, and a test is on the phone before anybody hears that it
// is saved. Limits, questions and thresholds come from the server with the facts; nothing of them is written down here.
"use strict";
const benchForm = (() => {
	const numbers = ["rest_v", "cca_a", "temperature_c", "load_v", "load_a", "load_s"];
	const another = "Another battery than at the last test.";

	// unbroken keeps a figure in one line with its unit of measure, as the server's pages do.
	const unbroken = text => String(text).replace(/(\d) (?=(%|°C|A|V)(?![A-Za-z]))/g, "$1\u00a0");

	const plain = typed => typed.replace(",", ".").replace(/[−–]/g, "-").replace(/\s/g, "");

	// outside says why a number cannot be; empty: it can.
	function outside(facts, column, typed) {
		const limit = facts.limits.find(l => l.column == column);
		if (!/^[-+]?(\d+\.?\d*|\.\d+)$/.test(typed)) return "Not a number: type digits, like 12.4.";
		if (limit && (+typed < limit.low || +typed > limit.high))
			return `${+typed} is outside ${limit.low} to ${limit.high} ${limit.unit}: ${limit.hint}.`;
		return "";
	}

	const fitted = (unit, row) => unit?.batteries.find(b => b.position == (row.position || 1));

	// before is the last test of the same battery by the same standard.
	function before(unit, row) {
		const battery = fitted(unit, row);
		return unit?.tests.find(t => t.position == (row.position || 1) && t.cca_a !== null && t.cca_standard == row.cca_standard &&
			!(battery?.fitted_on && t.day < battery.fitted_on));
	}

	// odd lists what to ask, one question of a column at most.
	function odd(facts, unit, row) {
		const asked = [];
		for (const rule of facts.odd) {
			if (!row[rule.column] || asked.some(q => q.column == rule.column)) continue;
			const value = +row[rule.column], last = before(unit, row), battery = fitted(unit, row);
			let against = 0, share = 0, is = false;
			switch (rule.kind) {
			case "above": is = value > rule.by; break;
			case "below": is = value < rule.by; break;
			case "up": case "down": against = last?.cca_a || 0; break;
			case "rated": against = battery?.cca_standard == row.cca_standard ? battery.rated_cca_a : 0;
			}
			if (against > 0) {
				share = (value / against - 1) * (rule.kind == "down" ? -1 : 1);
				is = share >= rule.by - 1e-9;
			}
			if (is) asked.push({column: rule.column, ask: rule.ask.replace("{value}", value).replace("{percent}", Math.floor(100 * share + .5))
				.replace("{before}", against).replace("{when}", last?.on || "")});
		}
		return asked;
	}

	// preliminary is as much of a verdict as the phone can give: the server's has the unit's own course, the season and tonight in it too.
	function preliminary(facts, unit, row) {
		const rules = facts.rules, battery = fitted(unit, row), sentences = [];
		const low = row.rest_v && +row.rest_v < rules.charge_below_v; // then nothing else can be concluded
		let verdict = "nothing against it so far";
		if (row.cca_a && battery?.cca_standard == row.cca_standard) {
			const share = row.cca_a / battery.rated_cca_a;
			if (share < rules.tests_poorly) verdict = "plan a swap";
			sentences.push(`${+row.cca_a} A of ${battery.rated_cca_a} A rated (${row.cca_standard.toUpperCase()}), ${Math.round(100 * share)} %: ` +
				(low ? "no verdict on a battery so low, worn or not." : share < rules.tests_poorly ? "poor." : share >= rules.tests_well ? "good." : "between good and poor."));
		} else if (row.cca_a && battery) {
			sentences.push(`${+row.cca_a} A (${row.cca_standard.toUpperCase()}) cannot be held against the rated ${battery.rated_cca_a} A (${battery.cca_standard.toUpperCase()}): two standards are never compared.`);
		}
		if (low) {
			verdict = "charge and test again";
			sentences.unshift(`${+row.rest_v} V at rest is under ${rules.charge_below_v} V: charge it, let it rest, test again. Nothing else can be concluded yet.`);
		}
		const last = before(unit, row);
		if (row.cca_a && last && !low) {
			const less = last.cca_a - row.cca_a;
			sentences.push(`${+row.cca_a} A is ${less == 0 ? "as much as" : `${Math.abs(less)} A ${less > 0 ? "less" : "more"} than`} on ${last.on}.`);
		}
		return {verdict, sentences};
	}

	// wire makes the form work; facts are those of the depot, or of the form's unit alone. saved is called with the test once it is kept.
	function wire(form, facts, saved) {
		const at = name => form.elements[name];
		const unitOf = () => facts.units.find(u => u.unit == at("unit").value.trim());
		let chosen = at("cca_standard").value != "" && !!at("mends").value; // by the person, not by the rating

		function say(name, wrong) {
			const el = document.getElementById(name + "-wrong");
			wrong = unbroken(wrong);
			if (el.textContent != wrong) el.textContent = wrong;
			wrong ? at(name).setAttribute("aria-invalid", "true") : at(name).removeAttribute("aria-invalid");
		}

		function row() {
			const r = {unit: at("unit").value.trim(), position: form.querySelector("[name=position]:checked")?.value || "1"};
			for (const name of numbers) r[name] = plain(at(name).value);
			r.cca_standard = r.cca_a ? at("cca_standard").value : "";
			r.note = at("note").value.trim();
			r.tested_by = at("tested_by").value;
			return r;
		}

		// known shows what is fitted, and sets the standard that the rating is in.
		function known() {
			const unit = unitOf(), typed = at("unit").value.trim();
			const places = document.getElementById("bench-places"), many = unit?.positions || 1;
			if (places.querySelectorAll("input").length != many) {
				places.hidden = many < 2;
				places.querySelector("div").replaceChildren(...Array.from({length: many}, (_, i) => {
					const label = document.createElement("label"), input = document.createElement("input"), text = document.createElement("span");
					label.className = "pick";
					Object.assign(input, {type: "radio", name: "position", value: i + 1, checked: i == 0});
					text.textContent = `No. ${i + 1}`;
					label.append(input, " ", text);
					return label;
				}));
			}
			const battery = fitted(unit, row());
			document.getElementById("bench-known").textContent = battery ? unbroken(`Fitted: ${battery.battery}, rated ${battery.rated_cca_a} A (${battery.cca_standard.toUpperCase()}).`) : "";
			if (battery && !chosen) at("cca_standard").value = battery.cca_standard;
			if (facts.round) say("unit", typed && !unit ? `${typed} is none of the units that this phone knows of ${facts.depot_name}: see whether its number is right.` : "");
		}

		function check(name, typing) {
			const typed = plain(at(name).value);
			if (typing && /^[-+]?\d*\.?$/.test(typed) && (typed == "" || !/\d$/.test(typed))) return say(name, "") ?? true; // not done yet
			const wrong = typed ? outside(facts, name, typed) : "";
			say(name, wrong);
			return !wrong;
		}

		const draft = () => bench.keep("draft", {row: row(), mends: at("mends").value, at: Date.now()}).catch(() => {});
		form.addEventListener("input", e => {
			if (numbers.includes(e.target.name)) {
				check(e.target.name, true);
				document.getElementById(e.target.name + "-odd").hidden = true;
				for (const r of form.querySelectorAll(`[name=sure_${e.target.name}]`)) r.checked = false;
			}
			if (e.target.name == "cca_standard") { chosen = true; say("cca_standard", ""); }
			if (e.target.name == "unit" || e.target.name == "position") known();
			draft();
		});
		for (const name of numbers) at(name).addEventListener("blur", () => check(name));
		const sign = document.getElementById("temperature_c-sign"), temperature = at("temperature_c");
		temperature.inputMode = "decimal"; // whose keypad has no minus on some phones
		sign.hidden = false;
		sign.addEventListener("click", () => {
			const typed = plain(temperature.value);
			temperature.value = typed.startsWith("-") ? typed.slice(1) : "-" + typed;
			temperature.focus();
			temperature.dispatchEvent(new Event("input", {bubbles: true}));
		});

		// sound shows all that is wrong or to be asked and tells whether nothing is.
		function sound(r) {
			let first = null;
			for (const name of numbers) if (!check(name)) first ??= at(name);
			if (!r.unit) { say("unit", "Type the number of the unit."); first = at("unit"); }
			if (r.cca_a && !r.cca_standard) { say("cca_standard", "Choose the standard that the tester was set to: amps mean nothing without it."); first ??= at("cca_standard"); }
			const nothing = !r.rest_v && !r.cca_a && !r.load_v, wrong = document.getElementById("bench-wrong");
			wrong.hidden = !nothing;
			wrong.textContent = nothing ? "Enter what was read: rest volts, cold cranking amps, or volts under load." : "";
			if (nothing) first ??= at("rest_v");
			if (!first) for (const q of odd(facts, unitOf(), r)) {
				const box = document.getElementById(q.column + "-odd"), answer = box.querySelector("input:checked");
				box.querySelector("legend").textContent = unbroken(q.ask);
				if (answer?.value == "other_battery" && !at("note").value.startsWith(another)) at("note").value = `${another} ${at("note").value}`.trim();
				box.hidden = false;
				if (!answer) first ??= box.querySelector("input");
			}
			first?.focus();
			return !first;
		}

		form.addEventListener("submit", async e => {
			e.preventDefault();
			if (form.dataset.saving) return;
			if (!sound(row())) return;
			form.dataset.saving = "1";
			const r = row();
			for (const name of Object.keys(r)) if (r[name] === "") delete r[name];
			r.tested_at = new Date().toISOString().slice(0, 16) + ":00Z"; // to the minute
			const t = {
				entry: bench.newEntry(), mends: at("mends").value, row: r, state: "waits", typedAt: new Date().toISOString(),
				early: preliminary(facts, unitOf(), r),
			};
			try {
				await bench.put(t);
				await bench.keep("tester", r.tested_by);
				await bench.unkeep("draft");
			} catch { // a browser that keeps nothing sends it at once, as without a script
				form.submit();
				return;
			}
			delete form.dataset.saving;
			saved(t);
		});
		form.dataset.ready = "1";
		known();
		return {known, refill: r => { for (const name of [...numbers, "note", "unit"]) if (r[name]) at(name).value = r[name];
			if (r.cca_standard) { at("cca_standard").value = r.cca_standard; chosen = true; }
			known();
			for (const p of form.querySelectorAll("[name=position]")) p.checked = p.value == (r.position || "1");
			known(); }};
	}

	return {wire, outside, odd, preliminary, plain, unbroken};
})();
