// Owns what the browser does by itself: painting figures in the chosen palette, the title, the way to a notice.
(function () {
  "use strict";
  const TOKEN = /^var\(--([a-z]+)\)$/;

  function painted(value, style) {
    if (typeof value === "string") {
      const found = TOKEN.exec(value);
      return found ? style.getPropertyValue("--" + found[1]).trim() : value;
    }
    if (Array.isArray(value)) {
      // Long lists hold numbers: nothing in them wants paint.
      return value.length > 64 ? value : value.map((item) => painted(item, style));
    }
    if (value && typeof value === "object") {
      const copy = {};
      for (const key of Object.keys(value)) copy[key] = painted(value[key], style);
      return copy;
    }
    return value;
  }

  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.noonmark = {
    paint: function (drawn) {
      const figure = painted(drawn, getComputedStyle(document.documentElement));
      const narrow = figure.layout.meta && figure.layout.meta.narrow;
      if (narrow && window.innerWidth < 640) for (const key of Object.keys(narrow)) Object.assign(figure.layout[key], narrow[key]);
      return figure;
    },

    arrive: function (_, hash) {
      window.requestAnimationFrame(function () {
        const sentence = document.querySelector("h1.sentence");
        if (sentence) document.title = "Noonmark: " + sentence.textContent;
        const place = hash && hash.length > 1 && document.getElementById(decodeURIComponent(hash.slice(1)));
        if (place) place.scrollIntoView();
        else window.scrollTo(0, 0);
      });
      return window.dash_clientside.no_update;
    },
  };
})();
