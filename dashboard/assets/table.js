/* What the table page and the report page need in the browser: buttons that act, words while one types, focus in the grid. */
(function () {
  "use strict";

  const setStore = (id, data) => window.dash_clientside.set_props(id, { data: data });
  const grid = () => {
    try { return window.dash_ag_grid.getApi("table-grid"); } catch (problem) { return null; }
  };

  /* a button that asks for something: <button data-act="<store>" data-what="undo" data-n="3"> */
  document.addEventListener("click", (event) => {
    const goto = event.target.closest && event.target.closest("[data-goto-row]");
    if (goto) { show(goto.dataset.gotoRow, goto.dataset.gotoColumn); return; }
    const button = event.target.closest && event.target.closest("[data-act]");
    if (!button) return;
    const api = grid();
    if (api) api.stopEditing();
    const rows = api ? api.getSelectedRows().map((row) => row._id) : [];
    /* what was being typed is told first */
    setTimeout(() => setStore(button.dataset.act, {
      what: button.dataset.what, n: button.dataset.n || null, rows: rows, at: Date.now(),
    }), 60);
  });

  /* bring a cell into view and put the keyboard there */
  function show(row, column) {
    const api = grid();
    const node = api && api.getRowNode(row);
    if (!node) return;
    api.ensureIndexVisible(node.rowIndex, "middle");
    if (column) {
      api.ensureColumnVisible(column);
      setTimeout(() => api.setFocusedCell(node.rowIndex, column), 60);
    }
  }

  /* while one types in a cell, the check already looks */
  let timer = 0;
  document.addEventListener("input", (event) => {
    const cell = event.target.closest && event.target.closest("#table-grid .ag-cell[col-id]");
    const row = cell && cell.closest("[row-id]");
    if (!row) return;
    clearTimeout(timer);
    const said = { row: Number(row.getAttribute("row-id")), column: cell.getAttribute("col-id"), text: event.target.value };
    timer = setTimeout(() => setStore("table-typing", said), 250);
  });

  /* the field that was touched tells which limits are the user's own */
  document.addEventListener("input", (event) => {
    if (event.target.name && event.target.name.startsWith("limit.")) window.sweepmusterTouched = true;
  }, true);
  document.addEventListener("change", (event) => {
    if (event.target.name && event.target.name.startsWith("limit.")) window.sweepmusterTouched = true;
  }, true);

  let waits = 0;
  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.sweepmuster_table = {
    /* a form that is told once the typing has come to rest, all its parts together */
    later: function (form) {
      if (!form) return window.dash_clientside.no_update;
      clearTimeout(waits);
      waits = setTimeout(() => {
        const all = {};
        document.querySelectorAll('[data-form="report-form"] [name]').forEach((field) => { all[field.name] = field.value; });
        if (window.sweepmusterTouched) all["touched-limits"] = true;
        window.sweepmusterTouched = false;
        setStore("report-later", all);
      }, 500);
      return window.dash_clientside.no_update;
    },
  };

  /* functions that the grid calls: cells are marked by sign and colour, and say why */
  const functions = (window.dashAgGridFunctions = window.dashAgGridFunctions || {});
  functions.markOf = (params) => (params.data && params.data._marks && params.data._marks[params.colDef.field]) || "";
  /* Tab leaves the grid, unless one is writing: nobody has to go through a thousand cells to what comes after */
  functions.tabOn = (params) => (params.editing && params.nextCellPosition ? params.nextCellPosition : false);
  functions.tabInHead = (params) => {
    if (params.backwards || !params.api) return false;
    /* whoever tabs on in the meantime has left the head already, and is not called back */
    const here = document.activeElement;
    setTimeout(() => { if (document.activeElement === here) params.api.setFocusedCell(0, "_line"); }, 0);
    return true;
  };
  functions.whyOf = (params) => (params.data && params.data._why && params.data._why[params.colDef.field]) || null;
})();
