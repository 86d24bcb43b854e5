"use strict";
// Sorting, filtering and "show all" for every table. Without this script all rows are simply there.
(function () {
  const FIRST = 50;
  const grouped = new Intl.NumberFormat("en-GB");
  function number(value) { return grouped.format(value).replaceAll(",", "\u202f"); }

  function key(row, place) {
    const cell = row.cells[place];
    if (cell.hasAttribute("data-sort")) {
      return Number(cell.getAttribute("data-sort"));
    }
    return cell.textContent.trim();
  }

  // Figures before words, words in natural order: N2 before N10.
  function compare(a, b) {
    if (typeof a === "number" && typeof b === "number") { return a - b; }
    if (typeof a === "number") { return -1; }
    if (typeof b === "number") { return 1; }
    return a.localeCompare(b, "en-GB", { numeric: true });
  }

  function Sheet(table) {
    const body = table.tBodies[0];
    let rows = Array.from(body.rows);
    let all = rows.length <= FIRST;
    let wanted = "";
    const bar = document.createElement("div");
    const said = document.createElement("span");
    const more = document.createElement("button");

    function show() {
      let found = 0;
      let shown = 0;
      for (const row of rows) {
        const fits = wanted === "" || row.textContent.toLowerCase().includes(wanted);
        found += fits ? 1 : 0;
        const visible = fits && (all || found <= FIRST);
        shown += visible ? 1 : 0;
        row.hidden = !visible;
      }
      const some = wanted === "" ? "" : number(found) + " found, ";
      said.textContent = some + number(shown) + " of " + number(rows.length) + " rows shown";
      more.hidden = rows.length <= FIRST;
      more.textContent = all ? "Show the first " + FIRST : "Show all rows";
    }

    function sort(head, place) {
      const up = head.getAttribute("aria-sort") !== "ascending";
      for (const other of table.tHead.rows[0].cells) { other.removeAttribute("aria-sort"); }
      head.setAttribute("aria-sort", up ? "ascending" : "descending");
      const keyed = rows.map(function (row, at) { return { row: row, at: at, key: key(row, place) }; });
      keyed.sort(function (a, b) {
        const words = (typeof a.key === "number") !== (typeof b.key === "number");
        const order = compare(a.key, b.key);
        return (up || words ? order : -order) || a.at - b.at;
      });
      rows = keyed.map(function (entry) { return entry.row; });
      body.append.apply(body, rows);
      show();
    }

    Array.from(table.tHead.rows[0].cells).forEach(function (head, place) {
      if (head.hasAttribute("data-unsorted")) { return; }
      const button = document.createElement("button");
      button.type = "button";
      button.className = "sort";
      button.append.apply(button, Array.from(head.childNodes));
      head.append(button);
      button.addEventListener("click", function () { sort(head, place); });
    });

    if (rows.length > 8) {
      const label = document.createElement("label");
      const input = document.createElement("input");
      input.type = "search";
      label.append("Filter ", input);
      said.setAttribute("role", "status");
      more.type = "button";
      bar.className = "bar";
      bar.append(label, more, said);
      table.before(bar);
      input.addEventListener("input", function () { wanted = input.value.trim().toLowerCase(); show(); });
      more.addEventListener("click", function () { all = !all; show(); });
      show();
    }
  }

  document.querySelectorAll("table.sheet").forEach(Sheet);
}());
