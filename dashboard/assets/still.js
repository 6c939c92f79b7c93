/* Parts of a page that stand still: <div data-still='[["p",{"class":"a"},"text"], ...]'> gets these elements.
   Text becomes text, never markup; only plain elements and attributes are made. What is there already is changed as far
   as it differs, so that focus, folds that were opened and places scrolled to stay. */
(function () {
  "use strict";

  const TAGS = new Set(("a article aside button caption code dd del details div dl dt em fieldset figcaption figure footer form h1 h2 h3 " +
    "h4 h5 header hr i iframe img input ins label legend li nav ol optgroup option p pre progress section select small span strong " +
    "sub summary sup table tbody td textarea tfoot th thead tr ul").split(" "));
  const RUNS = /^(on|style$|srcdoc$|formaction$|xlink)/i;
  const PLACE = /^(\/|#|https?:\/\/|mailto:|about:blank$)/i;
  const PLACES = new Set(["href", "src", "action"]);

  function set(element, name, value) {
    if (RUNS.test(name) || (PLACES.has(name) && !PLACE.test(value))) return;
    if (element.getAttribute(name) === value) return;
    element.setAttribute(name, value);
    if (name === "value" && "value" in element) element.value = value;
    if (name === "selected") element.selected = true;
  }

  function make(form) {
    if (typeof form === "string") return document.createTextNode(form);
    const element = document.createElement(TAGS.has(form[0]) ? form[0] : "span");
    Object.entries(form[1]).forEach(([name, value]) => set(element, name, value));
    element.made = form;
    for (let k = 2; k < form.length; k += 1) element.append(make(form[k]));
    return element;
  }

  /* change a node from one form to another; a new node where they are too different */
  function change(node, before, after) {
    if (typeof after === "string") {
      if (node.nodeType !== Node.TEXT_NODE) return make(after);
      if (node.data !== after) node.data = after;
      return node;
    }
    if (typeof before === "string" || before[0] !== after[0] || node.nodeType !== Node.ELEMENT_NODE) return make(after);
    Object.keys(before[1]).forEach((name) => { if (!(name in after[1])) node.removeAttribute(name); });
    Object.entries(after[1]).forEach(([name, value]) => { if (before[1][name] !== value) set(node, name, value); });
    node.made = after;
    fit(node, Array.from(node.childNodes), before.slice(2), after.slice(2));
    return node;
  }

  function fit(parent, nodes, before, after) {
    const made = after.map((form, k) => {
      if (k >= nodes.length || before[k] === undefined) return make(form);
      return JSON.stringify(before[k]) === JSON.stringify(form) ? nodes[k] : change(nodes[k], before[k], form);
    });
    nodes.forEach((node, k) => { if (made[k] !== node) { if (made[k]) node.replaceWith(made[k]); else node.remove(); } });
    made.slice(nodes.length).forEach((node) => parent.append(node));
    return made;
  }

  function settle(holder) {
    const text = holder.getAttribute("data-still");
    const own = holder.stillOwn || { text: null, forms: [], nodes: [] };
    if (own.text === text) return;
    const forms = text === null ? [] : JSON.parse(text);
    const nodes = own.nodes.filter((node) => node.parentNode === holder);
    const kept = nodes.length === own.nodes.length;
    if (!kept) nodes.forEach((node) => node.remove());
    holder.stillOwn = { text: text, forms: forms, nodes: fit(holder, kept ? nodes : [], kept ? own.forms : [], forms) };
  }

  function under(node) {
    if (!(node instanceof HTMLElement)) return;
    if (node.hasAttribute("data-still")) settle(node);
    node.querySelectorAll("[data-still]").forEach(settle);
  }

  new MutationObserver((records) => records.forEach((record) => {
    if (record.target instanceof SVGElement) return; /* a picture being drawn */
    if (record.type === "attributes") settle(record.target);
    else record.addedNodes.forEach(under);
  })).observe(document.documentElement, { childList: true, subtree: true, attributes: true, attributeFilter: ["data-still"] });

  /* a link within the pages: another place, no other page load */
  document.addEventListener("click", (event) => {
    const link = event.target.closest && event.target.closest("a[data-go]");
    if (!link || event.defaultPrevented || event.button !== 0) return;
    if (event.ctrlKey || event.metaKey || event.shiftKey || event.altKey || link.target === "_blank") return;
    event.preventDefault();
    window.sweepmusterGo(link.getAttribute("href"));
  });
  window.sweepmusterGo = function (address) {
    const to = new URL(address, window.location.href);
    window.dash_clientside.set_props("place", { pathname: to.pathname, search: to.search, hash: to.hash });
    window.scrollTo(0, 0);
  };
})();
