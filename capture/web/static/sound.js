// A short tone when a reading is taken, once a tap has allowed it.

let context = null;

const button = document.getElementById("sound");
if (button) {
  button.addEventListener("click", () => {
    if (context) {
      context.close();
      context = null;
    } else {
      context = new AudioContext();
      tone();
    }
    button.setAttribute("aria-pressed", String(Boolean(context)));
    button.textContent = context ? "Sound is on" : "Sound is off";
  });
}

function tone() {
  const start = context.currentTime;
  const level = context.createGain();
  level.gain.setValueAtTime(0.25, start);
  level.gain.exponentialRampToValueAtTime(0.001, start + 0.35);
  level.connect(context.destination);
  for (const [hertz, at] of [[660, 0], [880, 0.12]]) {
    const voice = context.createOscillator();
    voice.frequency.value = hertz;
    voice.connect(level);
    voice.start(start + at);
    voice.stop(start + at + 0.2);
  }
  document.body.dataset.sounded = String(Number(document.body.dataset.sounded || 0) + 1);
}

/** A reading was taken. */
export function taken() {
  if (context) tone();
}
