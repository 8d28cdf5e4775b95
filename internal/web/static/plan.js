// Lets people drag a card of the plan to another week of its depot: by mouse anywhere on the card, by finger or pen at its
// grip. What is let go is sent as the form of the unit's page sends it. Without this script that form does the same.
"use strict";

(() => {
	const FAR = 6; // pixels: less is a press, not a pull

	let held = null; // {card, x, y, moving, over}

	const weekAt = (x, y, card) => {
		const week = document.elementsFromPoint(x, y).map(el => el.closest("[data-week]")).find(Boolean);
		return week && week.closest("[data-depot]") == card.closest("[data-depot]") ? week : null;
	};

	function letGo() {
		if (!held) return;
		held.card.classList.remove("held");
		held.card.style.transform = "";
		held.over?.classList.remove("target");
		held = null;
	}

	function send(card, week) {
		const form = document.createElement("form");
		form.method = "post";
		form.action = card.dataset.move;
		for (const [name, value] of Object.entries({do: card.dataset.do, week, seen: card.dataset.seen, back: card.dataset.back, moved: "1"})) {
			const field = document.createElement("input");
			field.type = "hidden";
			field.name = name;
			field.value = value;
			form.append(field);
		}
		document.body.append(form);
		form.submit();
	}

	function take(event) {
		const card = event.target.closest(".card[data-move]");
		const grip = event.target.closest(".grip");
		if (!card || event.button || !event.isPrimary || !grip && (event.pointerType != "mouse" || event.target.closest("a, summary, button, input"))) return;
		held = {card, x: event.pageX, y: event.pageY, moving: false, over: null};
		if (grip) event.preventDefault();
	}

	function pull(event) {
		if (!held) return;
		const dx = event.pageX - held.x, dy = event.pageY - held.y;
		if (!held.moving && Math.hypot(dx, dy) < FAR) return;
		held.moving = true;
		held.card.classList.add("held");
		held.card.style.transform = `translate(${dx}px, ${dy}px)`;
		const over = weekAt(event.clientX, event.clientY, held.card);
		if (over == held.over) return;
		held.over?.classList.remove("target");
		over?.classList.add("target");
		held.over = over;
	}

	function drop() {
		if (!held) return;
		const {card, over, moving} = held, from = card.closest("[data-week]");
		letGo();
		if (moving && over && over != from) send(card, over.dataset.week);
	}

	for (const card of document.querySelectorAll(".card[data-move]")) {
		const grip = document.createElement("span");
		grip.className = "grip";
		grip.title = "Drag to another week";
		grip.setAttribute("aria-hidden", "true"); // by keyboard the form does it
		grip.textContent = "⠿";
		card.prepend(grip);
	}
	document.addEventListener("pointerdown", take);
	document.addEventListener("pointermove", pull);
	document.addEventListener("pointerup", drop);
	document.addEventListener("pointercancel", letGo);
	document.addEventListener("keydown", event => event.key == "Escape" && letGo());
	document.addEventListener("dragstart", event => held && event.preventDefault());
	document.addEventListener("selectstart", event => held?.moving && event.preventDefault());
})();
