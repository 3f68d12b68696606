// Finds and sorts rows of long tables.  Every page is whole without it.
"use strict";
document.querySelectorAll("table.sortable").forEach(function (table) {
  var body = table.tBodies[0], rows = Array.from(body.rows);
  var label = document.createElement("label"), input = document.createElement("input");
  var said = document.createElement("span");
  label.className = "find";
  label.append(table.dataset.find + " ", input);
  input.type = "search";
  said.setAttribute("role", "status");
  said.className = "soft";
  label.append(" ", said);
  table.before(label);
  input.addEventListener("input", function () {
    var words = input.value.toLowerCase().split(/\s+/), shown = 0;
    rows.forEach(function (row) {
      var text = row.textContent.toLowerCase();
      row.hidden = !words.every(function (word) { return text.includes(word); });
      shown += row.hidden ? 0 : 1;
    });
    said.textContent = input.value ? table.dataset.found.replace("…", shown) : "";
  });
  function value(row, i) {
    var cell = row.cells[i], text = cell.dataset.value || cell.textContent.trim();
    return cell.classList.contains("number") ? parseFloat(text.replace(/[^0-9]/g, "")) || 0 : text;
  }
  Array.from(table.tHead.rows[0].cells).forEach(function (head, i) {
    var button = document.createElement("button");
    button.type = "button";
    button.title = table.dataset.sort.replace("…", head.textContent.trim());
    button.append.apply(button, Array.from(head.childNodes));
    head.append(button);
    button.addEventListener("click", function () {
      var up = head.getAttribute("aria-sort") !== "ascending";
      if (head.classList.contains("number") && !head.hasAttribute("aria-sort")) up = false;
      Array.from(table.tHead.rows[0].cells).forEach(function (h) { h.removeAttribute("aria-sort"); });
      head.setAttribute("aria-sort", up ? "ascending" : "descending");
      rows.sort(function (a, b) {
        var x = value(a, i), y = value(b, i);
        return (x < y ? -1 : x > y ? 1 : 0) * (up ? 1 : -1);
      });
      body.append.apply(body, rows);
    });
  });
});
