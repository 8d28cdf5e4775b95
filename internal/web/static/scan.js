// A button beside each field of a serial reads its label with the camera, where the browser reads codes by itself. Everywhere else, and
// with a scanner that types, the field is typed into.
(() => {
	"use strict";
	if (!("BarcodeDetector" in window) || !navigator.mediaDevices) return;

	for (const field of document.querySelectorAll("input[data-scan]")) {
		const button = Object.assign(document.createElement("button"), {type: "button", className: "plain", textContent: "Scan the label"});
		const says = Object.assign(document.createElement("p"), {className: "quiet", role: "status"});
		const video = Object.assign(document.createElement("video"), {playsInline: true, muted: true, hidden: true});
		field.after(button, video, says);
		let stream;
		const stop = words => {
			stream?.getTracks().forEach(t => t.stop());
			stream = undefined;
			video.hidden = true;
			button.textContent = "Scan the label";
			says.textContent = words;
		};
		button.addEventListener("click", async () => {
			if (stream) return stop("");
			try {
				stream = await navigator.mediaDevices.getUserMedia({video: {facingMode: "environment"}});
			} catch { return stop("The camera cannot be used: type the serial."); }
			button.textContent = "Stop the camera";
			says.textContent = "Hold the label before the camera.";
			video.hidden = false;
			video.srcObject = stream;
			await video.play();
			const detector = new BarcodeDetector();
			while (stream) {
				const [code] = await detector.detect(video).catch(() => []);
				if (code) {
					field.value = code.rawValue.trim();
					stop("Read: " + field.value + ". Compare it with the label.");
					field.focus();
					return;
				}
				await new Promise(done => requestAnimationFrame(done));
			}
		});
	}
})();
