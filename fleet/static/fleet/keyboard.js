// The drawn keyboard: one octave at a time, arrow keys, and notes that sound. Without this the page works as plain forms.
(() => {
  "use strict";
  document.documentElement.classList.add("js");
  const PARTIALS = [0, 1, 0.6, 0.4, 0.25, 0.16, 0.1, 0.07, 0.05];
  const SECONDS = 1.8;
  let audio, wave, playing, goTo;
  let sound = true;
  try { sound = localStorage.getItem("sound") !== "off"; } catch { /* A browser that stores nothing starts with sound. */ }

  function play(key) {
    if (!sound || !window.AudioContext) return;
    audio ??= new AudioContext();
    // Overtones, since a small loudspeaker cannot give the low fundamentals.
    wave ??= audio.createPeriodicWave(new Float32Array(PARTIALS.length), new Float32Array(PARTIALS));
    audio.resume();
    if (playing) playing.stop();
    const tone = audio.createOscillator(), volume = audio.createGain(), now = audio.currentTime;
    tone.setPeriodicWave(wave);
    tone.frequency.value = Number(key.dataset.hz);
    volume.gain.setValueAtTime(0.0001, now);
    volume.gain.exponentialRampToValueAtTime(0.4, now + 0.012);
    volume.gain.exponentialRampToValueAtTime(0.0001, now + SECONDS);
    tone.connect(volume).connect(audio.destination);
    tone.start();
    tone.stop(now + SECONDS);
    playing = tone;
    key.classList.add("sounding");
    tone.onended = () => key.classList.remove("sounding");
  }

  function showOctave(form, number) {
    for (const octave of form.querySelectorAll(".octave")) octave.hidden = octave.dataset.octave !== number;
    for (const link of document.querySelectorAll(".overview a[data-octave]")) {
      if (link.dataset.octave === number) link.setAttribute("aria-current", "true");
      else link.removeAttribute("aria-current");
    }
    const shown = [...form.querySelectorAll(".octave:not([hidden]) .key")];
    for (const key of form.querySelectorAll(".key")) key.tabIndex = -1;
    if (shown.length) shown[0].tabIndex = 0;
  }

  function focusKey(form, number) {
    // The C at the end of an octave is the first of the next, which is where its neighbours are.
    const keys = [...form.querySelectorAll(`.key[value="${number}"]`)];
    if (!keys.length) return;
    const key = keys[keys.length - 1], octave = key.closest(".octave");
    if (octave.hidden) showOctave(form, octave.dataset.octave);
    for (const other of form.querySelectorAll(".key")) other.tabIndex = -1;
    key.tabIndex = 0;
    key.focus();
    play(key);
  }

  const STEPS = { ArrowLeft: -1, ArrowRight: 1, ArrowDown: -12, ArrowUp: 12 };

  function prepare() {
    for (const button of document.querySelectorAll("[data-sound]")) {
      button.hidden = !window.AudioContext;
      tellSound(button);
    }
    for (const words of document.querySelectorAll(".hear")) words.hidden = !window.AudioContext;
    const form = document.querySelector("[data-keys]");
    if (!form) return;
    const octaves = [...form.querySelectorAll(".octave")].map((one) => one.dataset.octave);
    const wanted = location.hash.replace("#octave-", "");
    showOctave(form, [goTo, wanted, "4"].find((one) => octaves.includes(one)) ?? octaves[0]);
  }

  function tellSound(button) {
    button.setAttribute("aria-pressed", String(sound));
    button.querySelector("[data-on]").hidden = !sound;
    button.querySelector("[data-off]").hidden = sound;
  }

  document.addEventListener("click", (event) => {
    const link = event.target.closest(".overview a[data-octave]");
    const key = event.target.closest("[data-hz]");
    const button = event.target.closest("[data-sound]");
    if (link) {
      event.preventDefault();
      goTo = link.dataset.octave;
      showOctave(document.querySelector("[data-keys]"), goTo);
    } else if (button) {
      sound = !sound;
      try { localStorage.setItem("sound", sound ? "on" : "off"); } catch { /* It then holds for this page. */ }
      tellSound(button);
      if (!sound && playing) playing.stop();
    } else if (key) {
      const octave = key.closest(".octave");
      if (octave) goTo = octave.dataset.octave;
      play(key);
    }
  });

  document.addEventListener("keydown", (event) => {
    const key = event.target.closest?.("[data-keys] .key");
    if (!key || event.ctrlKey || event.altKey || event.metaKey) return;
    const form = key.form, numbers = [...form.querySelectorAll(".key")].map((one) => Number(one.value));
    const ends = { Home: Math.min(...numbers), End: Math.max(...numbers) };
    const to = event.key in STEPS ? Number(key.value) + STEPS[event.key] : ends[event.key];
    if (to === undefined) return;
    event.preventDefault();
    focusKey(form, to);
  });

  document.addEventListener("DOMContentLoaded", prepare);
  document.addEventListener("htmx:afterSettle", () => {
    prepare();
    document.querySelector("[data-focus]")?.focus();
    window.scrollTo(0, 0);
  });
})();
