// Finds and sorts rows of long tables.  Every page is whole without it.
"use strict";
(function () {
  var words = document.getElementById("main").dataset, point = document.documentElement.lang === "de" ? "," : ".";
  // a column begins with a day or distance in words: their order as text would be wrong
  function sortable(cells, isNumber) {
    return cells.every(function (cell) {
      return cell && (isNumber || cell.dataset.value || !/^\s*\d/.test(cell.textContent));
    });
  }
  function value(cell, isNumber) {
    var text = cell.dataset.value || cell.textContent.trim();
    if (!isNumber) return text;
    var found = text.match(/\d[\d.,\u00a0]*/);
    if (!found) return -1;
    return parseFloat(found[0].split("").filter(function (c) { return /\d/.test(c) || c === point; }).join("").replace(",", "."));
  }
  function findable(list, rows) {
    var label = document.createElement("label"), input = document.createElement("input");
    var said = document.createElement("span");
    label.className = "find";
    label.append(words.find + " ", input);
    input.type = "search";
    said.setAttribute("role", "status");
    said.className = "soft";
    label.append(" ", said);
    list.before(label);
    input.addEventListener("input", function () {
      var asked = input.value.toLowerCase().split(/\s+/), shown = 0;
      rows.forEach(function (row) {
        var text = (row.textContent + " " + (row.dataset.words || "")).toLowerCase();
        row.hidden = !asked.every(function (word) { return text.includes(word); });
        shown += row.hidden ? 0 : 1;
      });
      said.textContent = input.value ? words.found.replace("…", shown) : "";
    });
  }
  document.querySelectorAll("main ol.work").forEach(function (list) {
    var rows = Array.from(list.children);
    // a line keeps its place in the list, whatever is shown of it
    rows.forEach(function (row, i) { row.value = list.start + i; });
    if (rows.length > 7) findable(list, rows);
  });
  document.querySelectorAll("main table").forEach(function (table) {
    var body = table.tBodies[0], rows = Array.from(body ? body.rows : []), heads = table.tHead && Array.from(table.tHead.rows[0].cells);
    var isLong = rows.length > 7 && !table.matches(".matrix, .compact");
    if (!heads || !(isLong || table.matches(".sortable"))) return;
    table.classList.add("sortable");
    findable(table, rows);
    heads.forEach(function (head, i) {
      var isNumber = head.classList.contains("number");
      if (!sortable(rows.map(function (row) { return row.cells[i]; }), isNumber)) return;
      var button = document.createElement("button");
      button.type = "button";
      button.title = words.sort.replace("…", head.textContent.trim());
      button.append.apply(button, Array.from(head.childNodes));
      head.append(button);
      button.addEventListener("click", function () {
        var up = head.getAttribute("aria-sort") !== "ascending";
        if (isNumber && !head.hasAttribute("aria-sort")) up = false;
        heads.forEach(function (h) { h.removeAttribute("aria-sort"); });
        head.setAttribute("aria-sort", up ? "ascending" : "descending");
        rows.sort(function (a, b) {
          var x = value(a.cells[i], isNumber), y = value(b.cells[i], isNumber);
          return (isNumber ? x - y : x.localeCompare(y, undefined, { numeric: true })) * (up ? 1 : -1);
        });
        body.append.apply(body, rows);
      });
    });
  });
})();
