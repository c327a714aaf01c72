// Owns the choice of palette. Loaded in the head, so that a page never flashes white at night.
(function () {
  "use strict";
  const KEY = "noonmark-palette";
  const root = document.documentElement;

  function remembered() {
    try {
      return localStorage.getItem(KEY);
    } catch (_) {
      return null; // storage may be forbidden: the choice then lasts as long as the page
    }
  }

  function show(name) {
    root.dataset.palette = name;
    document.querySelectorAll("#palettes button").forEach(function (button) {
      button.setAttribute("aria-pressed", String(button.dataset.palette === name));
    });
  }

  const dark = window.matchMedia && window.matchMedia("(prefers-color-scheme: dark)").matches;
  const start = remembered();
  show(["day", "dusk", "night"].includes(start) ? start : dark ? "dusk" : "day");

  document.addEventListener("click", function (event) {
    const button = event.target.closest("#palettes button");
    if (!button) return;
    show(button.dataset.palette);
    try {
      localStorage.setItem(KEY, button.dataset.palette);
    } catch (_) {
      // as above
    }
    window.dash_clientside.set_props("palette", { data: button.dataset.palette });
  });

  // The buttons are drawn later than this runs.
  new MutationObserver(function (_, observer) {
    if (document.querySelector("#palettes button")) {
      observer.disconnect();
      show(root.dataset.palette);
    }
  }).observe(root, { childList: true, subtree: true });

  // On paper, and on whatever else prints, it is day.
  window.addEventListener("beforeprint", function () {
    root.dataset.before = root.dataset.palette;
    show("day");
    window.dash_clientside.set_props("palette", { data: "day" });
  });
  window.addEventListener("afterprint", function () {
    show(root.dataset.before);
    window.dash_clientside.set_props("palette", { data: root.dataset.before });
  });
})();
