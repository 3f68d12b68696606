// Finds and sorts vehicles of a fleet too large for one list, from an index file beside the pages.
// The file is fetched once, when somebody begins to look; without it the lists are as they were.
(function () {
  var MOST = 50, place = document.getElementById("whole-fleet");
  if (!place) return;
  var words = place.dataset, heads = JSON.parse(words.heads), root = words.root;
  var fleet = null, isAsked = false, sortedBy = -1, isUp = true, texts = [], order = [];
  function element(name, parent, text, css) {
    var made = document.createElement(name);
    if (text !== undefined) made.textContent = text;
    if (css) made.className = css;
    parent.append(made);
    return made;
  }
  var label = element("label", place, words.find + " ", "find");
  var input = element("input", label);
  var said = element("p", place, "", "soft");
  var table = element("table", place, undefined, "numbers sortable");
  input.type = "search";
  said.setAttribute("role", "status");
  table.hidden = true;
  var row = element("tr", element("thead", table));
  var body = element("tbody", table);
  var cells = heads.map(function (head, i) {
    var cell = element("th", row, undefined, i > 1 && i < 7 ? "number" : "");
    var button = element("button", cell, head);
    cell.scope = "col";
    button.type = "button";
    button.title = words.sort.replace("…", head);
    button.addEventListener("click", function () {
      isUp = sortedBy === i ? !isUp : !(i > 1);
      sortedBy = i;
      arrange();
      show();
    });
    return cell;
  });
  // a vehicle: number, plate, page, what it is, codes, components (by place in a list), present,
  // held, on watch, unchecked, came back, last scan in words and as a date
  function key(one) {
    return [one[0], one[3], one[6], one[7], one[8], one[9], one[10], one[12]][sortedBy];
  }
  function arrange() {
    order.sort(function (a, b) {
      var x = key(fleet.vehicles[a]), y = key(fleet.vehicles[b]);
      var found = typeof x === "number" ? x - y : x.localeCompare(y, undefined, { numeric: true });
      return (isUp ? found : -found) || a - b;
    });
    cells.forEach(function (cell, i) {
      if (i === sortedBy) cell.setAttribute("aria-sort", isUp ? "ascending" : "descending");
      else cell.removeAttribute("aria-sort");
    });
  }
  function line(one) {
    var made = element("tr", body), first = element("th", made), link = element("a", first, one[0], "vehicle");
    first.scope = "row";
    link.href = root + one[2];
    if (one[1]) {
      first.append(" ");
      element("span", first, one[1], "plate");
    }
    [one[3] || "–", one[6], one[7], one[8], one[9], one[10], one[11]].forEach(function (value, i) {
      var cell = element("td", made, value, i > 0 && i < 6 ? "number" : "");
      cell.dataset.label = heads[i + 1];
      if (i === 0 && one[4]) {
        cell.append(" ");
        element("span", cell, one[4], "soft");
      }
    });
  }
  function show() {
    if (!fleet) return;
    var asked = input.value.toLowerCase().split(/\s+/), found = 0;
    body.textContent = "";
    order.forEach(function (i) {
      if (!asked.every(function (word) { return texts[i].includes(word); })) return;
      found += 1;
      if (found <= MOST) line(fleet.vehicles[i]);
    });
    table.hidden = !found;
    said.textContent = (found > MOST ? words.some : words.found).replace("…", found).replace("…", MOST);
  }
  function fetched() {
    fleet = window.afterclearFleet;
    texts = fleet.vehicles.map(function (one) {
      var components = one[5].map(function (place) { return fleet.components[place]; });
      return [one[0], one[1], one[3], one[4]].concat(components).join(" ").toLowerCase();
    });
    order = fleet.vehicles.map(function (_, i) { return i; });
    show();
  }
  function ask() {
    if (isAsked) return;
    isAsked = true;
    said.textContent = words.wait;
    var script = document.createElement("script");
    script.src = root + words.file;
    script.onload = fetched;
    script.onerror = function () { said.textContent = words.missing; };
    document.head.append(script);
  }
  input.addEventListener("focus", ask);
  input.addEventListener("input", function () { ask(); show(); });
})();
