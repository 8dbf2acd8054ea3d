/* Shows the sites that stand in the page as data: filtered, sorted, a few hundred rows at a time. */
(function () {
  "use strict";
  var held = document.getElementById("sites-data");
  if (!held) return;
  var sites = JSON.parse(held.textContent);
  var box = document.getElementById("sites-table");
  var table = box.querySelector("table");
  var body = table.tBodies[0];
  var rest = document.getElementById("sites-rest");
  var STEP = 200;
  var limit = STEP, column = -1, up = true;
  var SORTED_BY = { 2: 7, 3: 8 };

  function make(name, text, within) {
    var made = document.createElement(name);
    if (text) made.textContent = text;
    if (within) within.appendChild(made);
    return made;
  }

  var bar = make("div");
  bar.className = "tools";
  var search = make("input", "", make("label", "Show sites with", bar));
  search.type = "search";
  var standing = make("select", "", make("label", "Standing", bar));
  make("option", "all", standing);
  Array.from(new Set(sites.map(function (row) { return row[1]; }))).forEach(function (word) { make("option", word, standing); });
  var fresh = make("input", "", make("label", "Changed by the last run", bar));
  fresh.type = "checkbox";
  var count = make("span", "", bar);
  count.setAttribute("role", "status");
  box.parentNode.insertBefore(bar, box);
  var more = make("button", "Show more");
  more.id = "more";
  more.type = "button";
  rest.parentNode.insertBefore(more, rest.nextSibling);

  function show() {
    var word = search.value.toLowerCase();
    var kept = sites.filter(function (row) {
      return (standing.selectedIndex === 0 || row[1] === standing.value) && (!fresh.checked || row[9]) &&
        (!word || row.slice(0, 7).join(" ").toLowerCase().indexOf(word) >= 0);
    });
    if (column >= 0) {
      var by = SORTED_BY[column] || column;
      kept = kept.map(function (row, number) { return [row, number]; }).sort(function (a, b) {
        var one = a[0][by], other = b[0][by];
        var order = typeof one === "number" ? one - other : one.localeCompare(other, "en", { numeric: true });
        return (up ? order : -order) || a[1] - b[1];
      }).map(function (entry) { return entry[0]; });
    }
    var rows = document.createDocumentFragment();
    kept.slice(0, limit).forEach(function (row) {
      var line = make("tr", "", rows);
      row.slice(0, 7).forEach(function (cell, place) {
        var made = make(place ? "td" : "th", cell, line);
        if (!place) made.scope = "row";
      });
    });
    body.replaceChildren(rows);
    count.textContent = kept.length === sites.length ? sites.length + " sites" : kept.length + " of " + sites.length + " sites";
    var left = Math.max(0, kept.length - limit);
    rest.textContent = left ? left + " more sites are not shown." : "";
    more.hidden = !left;
  }

  function anew() { limit = STEP; show(); }
  search.addEventListener("input", anew);
  standing.addEventListener("change", anew);
  fresh.addEventListener("change", anew);
  more.addEventListener("click", function () { limit += STEP; show(); });

  Array.from(table.tHead.rows[0].cells).forEach(function (head, place) {
    var button = make("span", head.textContent);
    button.setAttribute("role", "button");
    button.tabIndex = 0;
    head.textContent = "";
    head.appendChild(button);
    button.addEventListener("keydown", function (event) {
      if (event.key === "Enter" || event.key === " ") { event.preventDefault(); button.click(); }
    });
    button.addEventListener("click", function () {
      /* Numbers begin with the largest. */
      up = column === place ? !up : !(place in SORTED_BY);
      column = place;
      Array.from(head.parentNode.cells).forEach(function (one) { one.removeAttribute("aria-sort"); });
      head.setAttribute("aria-sort", up ? "ascending" : "descending");
      anew();
    });
  });
  show();
})();
