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
  function findable(list, rows, then) {
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
        var text = [row.textContent, row.dataset.words, row.site].join(" ").toLowerCase();
        row.hidden = !asked.every(function (word) { return text.includes(word); });
        shown += row.hidden ? 0 : 1;
      });
      said.textContent = input.value ? words.found.replace("…", shown) : "";
      then(input.value);
    });
  }
  // Tables with the same heads are sorted into the first of them.
  function sorts(tables, rows, then) {
    var heads = Array.from(tables[0].tHead.rows[0].cells), body = tables[0].tBodies[0];
    heads.forEach(function (head, i) {
      var isNumber = head.classList.contains("number");
      if (!sortable(rows.map(function (row) { return row.cells[i]; }), isNumber)) return;
      function sort() {
        var up = head.getAttribute("aria-sort") !== "ascending";
        if (isNumber && !head.hasAttribute("aria-sort")) up = false;
        heads.forEach(function (h) { h.removeAttribute("aria-sort"); });
        head.setAttribute("aria-sort", up ? "ascending" : "descending");
        body.append.apply(body, rows.slice().sort(function (a, b) {
          var x = value(a.cells[i], isNumber), y = value(b.cells[i], isNumber);
          return (isNumber ? x - y : x.localeCompare(y, undefined, { numeric: true })) * (up ? 1 : -1);
        }));
        then();
        head.querySelector("button").focus();
      }
      tables.forEach(function (table) {
        var own = table.tHead.rows[0].cells[i], button = document.createElement("button");
        button.type = "button";
        button.title = words.sort.replace("…", own.textContent.trim());
        button.append.apply(button, Array.from(own.childNodes));
        own.append(button);
        button.addEventListener("click", sort);
      });
    });
    return function () { heads.forEach(function (h) { h.removeAttribute("aria-sort"); }); };
  }
  function nothing() {}
  document.querySelectorAll("main ol.work").forEach(function (list) {
    var rows = Array.from(list.children);
    // a line keeps its place in the list, whatever is shown of it
    rows.forEach(function (row, i) { row.value = list.start + i; });
    if (rows.length > 7) findable(list, rows, nothing);
  });
  document.querySelectorAll("main table").forEach(function (table) {
    var body = table.tBodies[0], rows = Array.from(body ? body.rows : []);
    var isLong = rows.length > 7 && !table.matches(".matrix, .compact");
    if (!table.tHead || table.closest(".by-site") || !(isLong || table.matches(".sortable"))) return;
    table.classList.add("sortable");
    findable(table, rows, nothing);
    sorts([table], rows, nothing);
  });
  // A list divided by site: on a phone folded, found in as one, and in one piece while it is sorted.
  document.querySelectorAll("main .by-site").forEach(function (list) {
    var sites = Array.from(list.querySelectorAll("details")), rows = [], again = document.createElement("button");
    var isNarrow = window.matchMedia("(max-width: 46rem)").matches;
    sites.forEach(function (site) {
      var name = site.querySelector("b").textContent;
      site.open = !isNarrow;
      site.rows = Array.from(site.querySelectorAll("tbody tr"));
      site.rows.forEach(function (row) {
        row.site = name;
        rows.push(row);
      });
    });
    // only once it is needed: a thousand rows take their time
    function nameSites() {
      if (list.querySelector(".of-site")) return;
      rows.forEach(function (row) {
        var where = document.createElement("span");
        where.className = "of-site";
        where.textContent = ", " + row.site;
        row.cells[1].append(where);
      });
    }
    function together(isSorted) {
      if (isSorted) nameSites();
      list.classList.toggle("sorted", isSorted);
      again.hidden = !isSorted;
      sites.forEach(function (site, i) {
        site.hidden = isSorted && i > 0;
        if (isSorted && i === 0) site.open = true;
      });
    }
    var unsort = sorts(sites.map(function (site) { return site.querySelector("table"); }), rows, function () { together(true); });
    again.type = "button";
    again.className = "again";
    again.textContent = list.dataset.back;
    again.hidden = true;
    again.addEventListener("click", function () {
      sites.forEach(function (site) {
        var body = site.querySelector("tbody");
        body.append.apply(body, site.rows);
      });
      unsort();
      together(false);
      sites[0].querySelector("summary").focus();
    });
    list.before(again);
    findable(list, rows, function (asked) {
      if (list.classList.contains("sorted")) return;
      sites.forEach(function (site) {
        site.hidden = site.rows.every(function (row) { return row.hidden; });
        if (asked) site.open = true;
      });
    });
  });
})();
