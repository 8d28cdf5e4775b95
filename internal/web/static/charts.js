// Lets people look closer at a picture: a figure with data-figures gets a button that draws the same figures anew, to zoom
// into by dragging, wheel, pinch and keys. Without this script the picture stays as it is. Nothing moves by itself.
"use strict";

(() => {
	const HINT = "Drag over a part, pinch, or press + and − to zoom; ← and → go from value to value, ↑ and ↓ from series to series, Shift with arrows moves the part shown, 0 shows all.";
	const DEEPEST = 400, ALL = 1e9; // how far one can zoom in, and out
	let charts = 0;
	const clamp = (v, low, high) => Math.min(Math.max(v, low), high);
	const number = (v, decimals) => v.toFixed(decimals).replace(/^-(?=[0.]*$)/, "").replace("-", "−");
	const measured = (v, scale) => number(v, scale.decimals ?? 0) + (scale.unit ? "\u00a0" + scale.unit : "");

	function put(space, parent, kind, attributes = {}, text = "") {
		const el = parent.appendChild(document.createElementNS(space, kind));
		for (const [name, value] of Object.entries(attributes)) el.setAttribute(name, value);
		el.textContent = text;
		return el;
	}
	const html = put.bind(null, "http://www.w3.org/1999/xhtml"), ink = put.bind(null, "http://www.w3.org/2000/svg");

	// ticks are multiples of 1, 2 or 5 times a power of ten within a range, and how many decimals tell them apart.
	function ticks([low, high], most) {
		const power = 10 ** Math.floor(Math.log10((high - low) / most));
		const step = power * [1, 2, 5, 10].find(by => (high - low) / (power * by) <= most);
		const first = Math.ceil(low / step - 1e-9), at = Array.from({length: Math.floor(high / step + 1e-9) - first + 1}, (_, i) => (first + i) * step);
		return {at, decimals: Math.max(0, -Math.floor(Math.log10(step) + 1e-9))};
	}

	// extent is what a scale shows at first: its own ends, its rows, or all values with a little room.
	function extent(scale, lists) {
		if (scale.ends || scale.rows) return scale.ends ?? [-0.6, scale.rows.length - 0.4];
		const values = lists.flatMap(l => l ?? []);
		const low = Math.min(...values), high = Math.max(...values), room = (high - low) * 0.04 || 0.5;
		return [low - room, high + room];
	}

	// between reads a line, or the edge of a band, at x; undefined outside of it.
	function between(xs, ys, x) {
		const i = xs.findIndex((to, i) => i > 0 && xs[i - 1] <= x && x <= to);
		if (i < 0) return undefined;
		return xs[i] == xs[i - 1] ? ys[i] : ys[i - 1] + (ys[i] - ys[i - 1]) * (x - xs[i - 1]) / (xs[i] - xs[i - 1]);
	}

	class CloserLook {
		constructor(figure, leave) {
			this.data = JSON.parse(figure.dataset.figures);
			const {x, y, series} = this.data;
			this.whole = [
				extent(x, series.flatMap(s => y.rows ? [s.x, s.low, s.high] : [s.x])),
				extent(y, series.flatMap(s => [s.y, s.low, s.high])),
			];
			this.view = this.whole;
			this.clip = "closer-" + ++charts;
			this.fingers = new Map();
			this.root = html(figure, "div", {class: "closer"});
			figure.querySelector("picture").after(this.root);
			const tools = html(this.root, "div", {class: "closer-tools"}), keys = html(this.root, "ul", {class: "closer-keys"});
			for (const [name, act] of [["Zoom in", () => this.zoom(0.5)], ["Zoom out", () => this.zoom(2)], ["Show all", () => this.zoom(ALL)], ["Back to the picture", leave]]) {
				html(tools, "button", {type: "button", class: "plain"}, name).addEventListener("click", act);
			}
			for (const s of series) {
				const key = html(keys, "li");
				this.sample(ink(key, "svg", {width: 26, height: 14, "aria-hidden": "true"}), s);
				key.append(s.name);
			}
			this.box = html(this.root, "div", {class: "closer-box", tabindex: 0, role: "application", "aria-label": this.data.title, "aria-describedby": this.clip + "-hint"});
			this.svg = ink(this.box, "svg", {"aria-hidden": "true", focusable: "false"});
			this.says = html(this.root, "output", {class: "closer-says"}, "\u00a0");
			html(this.root, "p", {class: "quiet", id: this.clip + "-hint"}, HINT);
			this.draw();
			this.listen();
		}

		listen() {
			window.addEventListener("resize", () => this.draw());
			this.box.addEventListener("keydown", e => { if (this.key(e)) e.preventDefault(); });
			this.svg.addEventListener("wheel", e => {
				const all = this.view.every(([low, high], i) => low <= this.whole[i][0] && high >= this.whole[i][1]);
				if (document.activeElement != this.box || all && e.deltaY > 0) return; // the page scrolls
				e.preventDefault();
				this.zoom(Math.exp(clamp(e.deltaY, -200, 200) * 0.002), this.at(e.offsetX, e.offsetY));
			}, {passive: false});
			this.svg.addEventListener("dblclick", () => this.zoom(ALL));
			for (const kind of ["pointerdown", "pointermove", "pointerup", "pointercancel"]) this.svg.addEventListener(kind, e => this.pointer(kind, e));
		}

		// key answers whether it had a meaning.
		key(e) {
			if (e.ctrlKey || e.altKey || e.metaKey) return false;
			const arrow = {ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1]}[e.key];
			const at = this.shown && [this.shown.x, this.shown.y];
			if (arrow && e.shiftKey) this.move(...arrow.map((by, i) => by * 0.15 * (this.view[i][1] - this.view[i][0])));
			else if (arrow) this.step(arrow[0], -arrow[1]);
			else if (e.key == "+" || e.key == "=") this.zoom(0.5, at);
			else if (e.key == "-" || e.key == "−") this.zoom(2, at);
			else if (e.key == "0" || e.key == "Home") this.zoom(ALL);
			else return false;
			return true;
		}

		// pointer: a mouse drags a part to zoom to, a finger moves, two fingers pinch; the nearest value is read out.
		pointer(kind, e) {
			const now = [e.offsetX, e.offsetY], before = this.fingers.get(e.pointerId), mouse = e.pointerType == "mouse";
			if (kind == "pointerdown") {
				e.preventDefault();
				this.box.focus({preventScroll: true});
				this.svg.setPointerCapture(e.pointerId);
				this.from = now;
			}
			if (kind == "pointerdown" || before) this.fingers.set(e.pointerId, now);
			if (kind != "pointerdown" && kind != "pointermove") this.fingers.delete(e.pointerId);
			if (kind == "pointerup" && before && mouse) this.zoomTo(this.from, now);
			if (kind == "pointermove" && before && !mouse) this.drag(before, now, e.pointerId);
			if (this.fingers.size < 2) this.show(this.nearest(now));
			if (kind == "pointermove" && before && mouse) ink(this.layer, "path", {class: "frame", d: `M${this.from}H${now[0]}V${now[1]}H${this.from[0]}z`});
		}

		drag(before, now, finger) {
			const [other] = [...this.fingers].filter(([id]) => id != finger).map(([, at]) => at);
			const [a, b] = [this.at(...before), this.at(...now)];
			if (!other) return this.move(a[0] - b[0], a[1] - b[1]);
			const apart = at => Math.max(1, Math.hypot(at[0] - other[0], at[1] - other[1]));
			this.zoom(apart(before) / apart(now), this.at((now[0] + other[0]) / 2, (now[1] + other[1]) / 2));
		}

		// at turns a place in the drawing into values, place the other way round. Rows count downwards.
		at(px, py) {
			const {left, top, wide, high} = this.plot, [[x0, x1], [y0, y1]] = this.view, down = (py - top) / high;
			return [x0 + (px - left) / wide * (x1 - x0), y0 + (this.data.y.rows ? down : 1 - down) * (y1 - y0)];
		}

		place(x, y) {
			const {left, top, wide, high} = this.plot, [[x0, x1], [y0, y1]] = this.view, up = (y - y0) / (y1 - y0);
			return [left + (x - x0) / (x1 - x0) * wide, top + (this.data.y.rows ? up : 1 - up) * high];
		}

		// zoom makes the part shown so many times as large; what lies at the values stays where it is. Rows are not stretched.
		zoom(by, at) {
			this.view = this.view.map((range, i) => {
				if (i == 1 && this.data.y.rows) return range;
				const middle = at ? clamp(at[i], ...range) : (range[0] + range[1]) / 2;
				return range.map(end => middle + (end - middle) * by);
			});
			this.keepInside();
		}

		move(dx, dy) {
			this.view = this.view.map((range, i) => range.map(end => end + (i == 1 && this.data.y.rows ? 0 : [dx, dy][i])));
			this.keepInside();
		}

		zoomTo(from, to) {
			if (Math.abs(from[0] - to[0]) < 8) return; // a click
			const a = this.at(...from), b = this.at(...to), flat = this.data.y.rows || Math.abs(from[1] - to[1]) < 8;
			this.view = this.view.map((range, i) => i == 1 && flat ? range : [Math.min(a[i], b[i]), Math.max(a[i], b[i])]);
			this.keepInside();
		}

		keepInside() {
			this.view = this.view.map(([low, high], i) => {
				const [first, last] = this.whole[i], span = clamp(high - low, (last - first) / DEEPEST, last - first);
				const start = clamp((low + high - span) / 2, first, last - span);
				return [start, start + span];
			});
			this.draw();
		}

		// step goes to the next value of a series, or to the next series.
		step(by, series) {
			const all = this.data.series, s = clamp((this.shown?.series ?? 0) + series, 0, all.length - 1);
			const order = [...all[s].x.keys()].sort((a, b) => all[s].x[a] - all[s].x[b]);
			const k = this.shown?.series == s && this.shown.i != null ? order.indexOf(this.shown.i) + by : order.findIndex(i => all[s].x[i] >= (this.shown?.x ?? -Infinity));
			const value = this.value(s, order[clamp(k, 0, order.length - 1)]), [[x0, x1], [y0, y1]] = this.view;
			if (value.x < x0 || value.x > x1 || value.y < y0 || value.y > y1) this.move(value.x - (x0 + x1) / 2, value.y - (y0 + y1) / 2);
			this.show(value);
		}

		value(series, i) {
			const s = this.data.series[series];
			return {series, i, x: s.x[i], y: s.y ? s.y[i] : (s.low[i] + s.high[i]) / 2, low: s.low?.[i], high: s.high?.[i], says: s.says?.[i]};
		}

		// nearest is the value next to a place: a point, or where a line or a band passes above or below it.
		nearest([px, py]) {
			const [x] = this.at(px, py);
			let best = null, least = 48; // pixels
			this.data.series.forEach((s, series) => {
				for (const c of s.kind == "points" ? [...s.x.keys()].map(i => this.value(series, i)) : this.along(series, x)) {
					const [cx, cy] = this.place(c.x, c.y), far = Math.hypot(cx - px, cy - py) + (s.kind == "points" ? 0 : 3);
					if (far < least) [best, least] = [c, far];
				}
			});
			return best;
		}

		along(series, x) {
			const s = this.data.series[series], [y, low, high] = [s.y, s.low, s.high].map(ys => ys && between(s.x, ys, x));
			return (y ?? low) == null ? [] : [{series, x, y: y ?? (low + high) / 2, low, high}];
		}

		// show marks a value and reads it out.
		show(value) {
			if (!value && this.fingers.size == 0) return; // the last stays
			this.shown = value ?? this.shown;
			if (this.shown) this.says.textContent = this.words(this.shown);
			this.mark();
		}

		words(v) {
			const {x, y, series} = this.data, name = series[v.series].name;
			const range = v.low == null || v.low == v.high ? "" : scale => ` (${number(v.low, scale.decimals ?? 0)} to ${measured(v.high, scale)})`;
			if (y.rows) return `${y.rows[Math.round(v.y)]}, ${name}: ${measured(v.x, x)}${range && range(x)}`;
			return `${v.says ?? name}: ${measured(v.x, x)}, ${series[v.series].y ? measured(v.y, y) : ""}${range && range(y)}`;
		}

		draw() {
			const {x, y, series} = this.data, width = this.box.clientWidth;
			if (width == 0) return; // not seen, as on paper
			const left = y.rows ? Math.min(width * 0.36, 230) : 58, top = y.rows ? 8 : 26;
			const high = y.rows ? 48 * y.rows.length : clamp(width * 0.55, 220, 400);
			const plot = this.plot = {left, top, wide: width - left - 18, high};
			this.svg.replaceChildren();
			for (const [name, value] of [["width", width], ["height", top + high + (x.name ? 44 : 24)]]) this.svg.setAttribute(name, value);
			ink(ink(this.svg, "clipPath", {id: this.clip}), "rect", {x: left - 7, y: top - 7, width: plot.wide + 14, height: high + 14});
			this.grid(plot);
			const inside = ink(this.svg, "g", {"clip-path": `url(#${this.clip})`});
			for (const s of series) this.group(inside, s);
			this.layer = ink(this.svg, "g");
			this.mark();
		}

		grid({left, top, wide, high}) {
			const {x, y} = this.data, [xs, ys] = [ticks(this.view[0], wide / 50), ticks(this.view[1], high / 45)];
			for (const v of xs.at) {
				const [px] = this.place(v, 0);
				ink(this.svg, "path", {class: "grid", d: `M${px} ${top}v${high}`});
				ink(this.svg, "text", {x: px, y: top + high + 18, class: "middle"}, number(v, xs.decimals) + (x.name ? "" : "\u00a0" + x.unit));
			}
			if (x.name) ink(this.svg, "text", {x: left + wide / 2, y: top + high + 37, class: "middle"}, x.name + (x.unit ? ", " + x.unit : ""));
			(y.rows ?? []).forEach((name, i) => {
				const lines = name.match(new RegExp(`.{1,${Math.floor(left / 7.5)}}(\\s|$)|\\S+`, "g")), [, py] = this.place(0, i);
				lines.forEach((line, k) => ink(this.svg, "text", {x: 4, y: py + 5 + 16 * (k - (lines.length - 1) / 2)}, line));
			});
			if (y.rows) return;
			for (const v of ys.at) {
				const [, py] = this.place(0, v);
				ink(this.svg, "path", {class: "grid", d: `M${left} ${py}h${wide}`});
				ink(this.svg, "text", {x: left - 8, y: py + 4, class: "end"}, number(v, ys.decimals) + (y.unit ? "\u00a0" + y.unit : ""));
			}
			ink(this.svg, "text", {x: 4, y: 13}, y.name);
		}

		group(parent, s) {
			const path = ys => s.x.map((x, i) => this.place(x, ys[i]).join(" "));
			if (s.kind == "band") ink(parent, "path", {class: "area", d: `M${path(s.low).concat(path(s.high).reverse()).join("L")}Z`});
			if (s.kind != "points" && s.y) ink(parent, "path", {class: s.broken ? "line broken" : "line", d: "M" + path(s.y).join("L")});
			if (s.kind == "points") s.x.forEach((x, i) => {
				const [px, py] = this.place(x, s.y[i]);
				if (s.low) ink(parent, "path", {class: "span", d: this.data.y.rows ? `M${this.place(s.low[i], 0)[0]} ${py}H${this.place(s.high[i], 0)[0]}` : `M${px} ${this.place(0, s.low[i])[1]}V${this.place(0, s.high[i])[1]}`});
				this.point(parent, s.mark, px, py, this.data.y.rows ? 5.5 : 3.5);
			});
		}

		point(parent, mark, x, y, r) {
			if (mark == "diamond") ink(parent, "path", {class: mark, d: `M${x} ${y - r - 1}l${r + 1} ${r + 1}l${-r - 1} ${r + 1}l${-r - 1} ${-r - 1}z`});
			else if (mark == "triangle") ink(parent, "path", {class: mark, d: `M${x} ${y - r - 1}l${r + 1} ${2 * r + 1}h${-2 * r - 2}z`});
			else if (mark == "square") ink(parent, "path", {class: mark, d: `M${x - r} ${y - r}h${2 * r}v${2 * r}h${-2 * r}z`});
			else ink(parent, "circle", {class: mark, cx: x, cy: y, r});
		}
		sample(svg, s) {
			if (s.kind == "points") this.point(svg, s.mark, 13, 7, 4.5);
			else if (s.kind == "band") ink(svg, "path", {class: "area", d: "M1 1h24v12h-24z"});
			else ink(svg, "path", {class: s.broken ? "line broken" : "line", d: "M1 7h24"});
		}

		// mark rings the value that is read out.
		mark() {
			this.layer?.replaceChildren();
			if (!this.shown || !this.layer) return;
			const [x, y] = this.place(this.shown.x, this.shown.y), {left, top, wide, high} = this.plot;
			if (x < left - 1 || x > left + wide + 1 || y < top - 1 || y > top + high + 1) return; // out of sight
			ink(this.layer, "path", {class: "hair", d: `M${x} ${top}v${high}M${left} ${y}h${wide}`});
			ink(this.layer, "circle", {class: "shown", cx: x, cy: y, r: 8});
		}

	}

	for (const figure of document.querySelectorAll("figure[data-figures]")) {
		const picture = figure.querySelector("picture"), offer = html(figure, "button", {type: "button", class: "plain"}, "Look closer");
		offer.setAttribute("aria-label", "Look closer: " + JSON.parse(figure.dataset.figures).title);
		picture.after(offer);
		let look;
		const change = closer => {
			picture.classList.toggle("closer-away", closer);
			offer.hidden = closer;
			if (closer) look = new CloserLook(figure, () => change(false));
			else look.root.remove();
			(closer ? look.box : offer).focus();
		};
		offer.addEventListener("click", () => change(true));
	}
})();
