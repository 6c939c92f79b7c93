/* What has to happen in the browser: colours, addresses, downloads of pictures, focus. */
(function () {
  "use strict";


  function markScheme() {
    const now = document.documentElement.dataset.scheme;
    document.querySelectorAll("[data-scheme-choice]").forEach((button) => {
      const pressed = String(button.dataset.schemeChoice === now);
      if (button.getAttribute("aria-pressed") !== pressed) button.setAttribute("aria-pressed", pressed);
    });
  }

  /* a table row that stands for something in a picture: choosing it is a click or Enter */
  function choose(target) {
    const row = target.closest("[data-choose]");
    if (!row || !window.dash_clientside) return false;
    window.dash_clientside.set_props(row.dataset.choose, { data: row.dataset.value });
    return true;
  }

  function takePicture(button) {
    const graph = document.getElementById(button.dataset.figure);
    const drawn = graph && graph.querySelector(".js-plotly-plot");
    if (!drawn || !window.Plotly) return;
    const box = drawn.getBoundingClientRect();
    window.Plotly.downloadImage(drawn, {
      format: button.dataset.format,
      filename: button.dataset.name || "picture",
      width: Math.round(box.width),
      height: Math.round(box.height),
      scale: button.dataset.format === "png" ? 2 : 1,
    });
  }

  document.addEventListener("click", (event) => {
    const scheme = event.target.closest("[data-scheme-choice]");
    if (scheme) {
      document.cookie = "sweepmuster_scheme=" + scheme.dataset.schemeChoice + "; path=/; max-age=31536000; samesite=lax";
      window.location.reload();
      return;
    }
    const wish = event.target.closest("[data-cookie]");
    if (wish) {
      document.cookie = wish.dataset.cookie + "=" + wish.dataset.value + "; path=/; max-age=31536000; samesite=lax";
      window.location.reload();
      return;
    }
    const toggle = event.target.closest("[data-toggles]");
    if (toggle) {
      toggle.setAttribute("aria-pressed", String(toggle.getAttribute("aria-pressed") !== "true"));
      const all = Array.from(document.querySelectorAll('[data-toggles="' + toggle.dataset.toggles + '"]'));
      const on = all.filter((each) => each.getAttribute("aria-pressed") === "true").map((each) => each.dataset.value);
      window.dash_clientside.set_props(toggle.dataset.toggles, { data: on });
      return;
    }
    const picture = event.target.closest("[data-figure]");
    if (picture) { takePicture(picture); return; }
    if (!event.target.closest("a, button, input, select, summary")) choose(event.target);
  });
  document.addEventListener("change", (event) => {
    const store = event.target.dataset && event.target.dataset.sets;
    if (store) window.dash_clientside.set_props(store, { data: event.target.value });
  });
  document.addEventListener("keydown", (event) => {
    if (event.key === "Enter" && event.target.dataset && event.target.dataset.choose) choose(event.target);
  });
  const holdsChoice = (node) => node.nodeType === 1 && (node.matches("[data-scheme-choice]") || node.querySelector("[data-scheme-choice]"));
  new MutationObserver((records) => {
    const drawn = (record) => record.target instanceof SVGElement || record.target.closest(".plot, #idle");
    if (records.some((record) => !drawn(record) && Array.from(record.addedNodes).some(holdsChoice))) markScheme();
  }).observe(document.documentElement, { childList: true, subtree: true });
  document.addEventListener("DOMContentLoaded", markScheme);

  /* lines, marks with letters, a legend, two pictures one above the other: what the first sweep will ask for */
  function rehearsal() {
    const x = Array.from({ length: 800 }, (_, k) => k);
    const y = x.map((k) => Math.sin(k / 9) + (k % 7) / 9);
    const line = { type: "scatter", mode: "lines", x: x, y: y, line: { width: 1 } };
    const marks = { type: "scatter", mode: "markers+text", x: [100, 500], y: [1, 1], text: ["1", "2"], marker: { size: 9 } };
    return {
      data: [{ ...line, name: "a" }, { ...line, name: "b", fill: "toself" }, { ...marks, name: "c" }, { ...line, yaxis: "y2" },
        { type: "scatter", x: [0, 1], y: [null, null], xaxis: "x2" }],
      layout: {
        width: 900, height: 400, showlegend: true, legend: { orientation: "h" }, xaxis: { title: { text: "x" }, anchor: "y2" },
        yaxis: { domain: [0.3, 1], title: { text: "y" } }, yaxis2: { domain: [0, 0.2], anchor: "x" },
        xaxis2: { overlaying: "x", side: "top", anchor: "y" },
      },
    };
  }

  /* again and again, a little at a time, while nobody does anything: what a browser has run often it runs fast, and the
     first sweep is then drawn in a third of the time */
  let busyUntil = 0;
  ["pointerdown", "pointermove", "keydown", "wheel"].forEach((kind) => {
    document.addEventListener(kind, () => { busyUntil = performance.now() + 400; }, { capture: true, passive: true });
  });

  function rehearse(left, pause) {
    if (!left) return;
    setTimeout(() => {
      const stage = document.getElementById("idle");
      if (!stage) return;
      const loads = document.querySelector("#page [data-dash-is-loading], ._dash-loading-callback");
      if (!window.Plotly || loads || document.hidden || performance.now() < busyUntil) { rehearse(left, 300); return; }
      const place = document.createElement("div");
      stage.append(place);
      const drawn = rehearsal();
      const began = performance.now();
      window.Plotly.newPlot(place, drawn.data, drawn.layout, { displayModeBar: false }).then(() => {
        window.Plotly.purge(place);
        place.remove();
        /* a slow machine gets room to breathe between */
        rehearse(left - 1, Math.max(40, performance.now() - began));
      });
    }, pause);
  }

  let first = true;
  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.sweepmuster = {
    /* a page has come: its title, and the reader's focus at its top */
    arrive: function (title) {
      if (title) document.title = title;
      if (!first) {
        const page = document.getElementById("page");
        if (page && !page.contains(document.activeElement)) page.focus({ preventScroll: true });
      }
      first = false;
      return title;
    },
    /* a picture that nobody sees, so that the drawing library is there for the first that somebody does */
    prepare: function (ticks) {
      if (!ticks) return window.dash_clientside.no_update;
      rehearse(30, 250);
      return {
        namespace: "dash_core_components",
        type: "Graph",
        props: { id: "idle-graph", figure: rehearsal(), config: { displayModeBar: false } },
      };
    },
    /* what a drag in a picture tells; that it merely took its size is nobody's concern */
    dragged: function (told) {
      const moved = told && Object.keys(told).some((key) => key.startsWith("xaxis."));
      return moved ? told : window.dash_clientside.no_update;
    },
    /* keep what the controls of a page say in its address, without leaving the page */
    keep: function (state) {
      if (!state) return window.dash_clientside.no_update;
      const query = new URLSearchParams(window.location.search);
      Object.entries(state).forEach(([name, value]) => {
        if (value === null || value === undefined || value === "") query.delete(name);
        else query.set(name, value);
      });
      const text = query.toString();
      const address = window.location.pathname + (text ? "?" + text : "") + window.location.hash;
      if (address !== window.location.pathname + window.location.search + window.location.hash) {
        window.history.replaceState(window.history.state, "", address);
      }
      return text;
    },
  };
})();
