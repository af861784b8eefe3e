// Players: one at a time, all at the same loudness or as recorded.

document.addEventListener(
  "play",
  (event) => {
    for (const other of document.querySelectorAll("audio")) {
      if (other !== event.target) {
        other.pause();
      }
    }
  },
  true, // play does not bubble
);

document.addEventListener("change", (event) => {
  if (event.target.name !== "loudness") {
    return;
  }
  for (const player of document.querySelectorAll("audio[data-strum]")) {
    player.pause();
    player.src = event.target.value ? `${player.dataset.strum}?match_lufs=${event.target.value}` : player.dataset.strum;
  }
});
