// Copies the settings sheet as text. Where the page may not write to the clipboard the text stands selected.
"use strict";

(() => {
  const root = document.getElementById("as-text");
  const at = (name) => root.querySelector(`[data-part="${name}"]`);
  const button = at("copy-sheet"), text = at("sheet-text"), said = at("copy-said");

  function select() {
    root.querySelector("details").open = true;
    text.focus();
    getSelection().selectAllChildren(text);
  }

  async function copied() {
    try {
      await navigator.clipboard.writeText(text.textContent);
      return true;
    } catch {
      return document.execCommand("copy");
    }
  }

  button.addEventListener("click", async () => {
    select();
    said.textContent = (await copied()) ? "Copied." : "Selected: copy it with Ctrl+C or the menu.";
  });
  button.hidden = false;
})();
