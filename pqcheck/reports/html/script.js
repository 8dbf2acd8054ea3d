/* Comfort only: everything is on the page without it. Sorts and filters the criteria, reads values off the figures. */
(function () {
  "use strict";

  function make(name, text, within) {
    var made = document.createElement(name);
    if (text) made.textContent = text;
    if (within) within.appendChild(made);
    return made;
  }

  function tools(table) {
    var rows = Array.from(table.tBodies[0].rows);
    var bar = document.createElement("div");
    bar.className = "tools";
    var search = make("input", "", make("label", "Show rows with", bar));
    search.type = "search";
    var chosen = make("select", "", make("label", "Verdict", bar));
    make("option", "all", chosen);
    Array.from(new Set(rows.map(function (row) { return row.cells[0].querySelector(".verdict").lastChild.textContent.trim(); })))
      .forEach(function (word) { make("option", word, chosen); });
    var count = make("span", "", bar);
    count.setAttribute("role", "status");

    function show() {
      var word = search.value.toLowerCase();
      var shown = 0;
      rows.forEach(function (row) {
        var verdict = row.cells[0].querySelector(".verdict").lastChild.textContent.trim();
        var keep = row.textContent.toLowerCase().indexOf(word) >= 0 && (chosen.selectedIndex === 0 || verdict === chosen.value);
        row.hidden = !keep;
        shown += keep ? 1 : 0;
      });
      count.textContent = shown === rows.length ? rows.length + " rows" : shown + " of " + rows.length + " rows";
    }
    search.addEventListener("input", show);
    chosen.addEventListener("change", show);
    show();
    table.parentNode.parentNode.insertBefore(bar, table.parentNode);

    Array.from(table.tHead.rows[0].cells).forEach(function (head, place) {
      /* No button element: browsers do not print form controls again in the repeated head of a long table. */
      var button = make("span", head.textContent);
      button.setAttribute("role", "button");
      button.tabIndex = 0;
      button.addEventListener("keydown", function (event) {
        if (event.key === "Enter" || event.key === " ") { event.preventDefault(); button.click(); }
      });
      head.textContent = "";
      head.appendChild(button);
      button.addEventListener("click", function () {
        var up = head.getAttribute("aria-sort") !== "ascending";
        Array.from(head.parentNode.cells).forEach(function (one) { one.removeAttribute("aria-sort"); });
        head.setAttribute("aria-sort", up ? "ascending" : "descending");
        rows.map(function (row, number) { return [key(row.cells[place]), number, row]; })
          .sort(function (a, b) {
            var order = typeof a[0] === "number" && typeof b[0] === "number" ? a[0] - b[0] : String(a[0]).localeCompare(String(b[0]), "en");
            return (up ? order : -order) || a[1] - b[1];
          })
          .forEach(function (entry) { table.tBodies[0].appendChild(entry[2]); });
      });
    });
  }

  function key(cell) {
    if (cell.dataset.sort !== undefined) return Number(cell.dataset.sort);
    var number = parseFloat(cell.textContent);
    return isNaN(number) ? cell.textContent : number;
  }

  function text(value, unit) {
    return value === null || value === undefined ? "no value" : String(value) + (unit && unit !== "1" ? " " + unit : "");
  }

  function clock(instant, zone) {
    try {
      return new Intl.DateTimeFormat("en-GB", { timeZone: zone, weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" }).format(instant);
    } catch (unknown) {
      return new Date(instant).toISOString().slice(0, 16).replace("T", " ") + " UTC";
    }
  }

  function words(values, x, y) {
    if (values.grid) {
      var day = Math.min(values.days.length - 1, Math.floor(x * values.days.length));
      var hour = Math.min(23, Math.floor((1 - y) * 24));
      return values.days[day] + ", hour " + hour + "\n" + text(values.grid[day][hour], values.unit);
    }
    if (values.percent || values.labels) {
      var many = values.labels ? values.labels.length : 201;
      var edge = values.labels ? 0.3 / many : 0;
      var place = Math.max(0, Math.min(many - 1, values.labels ? Math.floor((x - edge) / (1 - edge) * many) : Math.round(x * 200)));
      var head = values.labels ? values.labels[place] : place / 2 + " % of the time";
      return [head].concat(values.series.map(function (one) { return one.label + ": " + text(one.values[place], one.unit); })).join("\n");
    }
    var instant = values.start + x * (values.end - values.start);
    return [clock(instant, values.zone)].concat(values.series.map(function (one) {
      return one.label + ": " + text(one.values[Math.floor((instant - one.start) / one.step)], one.unit);
    })).join("\n");
  }

  function pointer(plot, values) {
    var hair = make("div", "", plot);
    var note = make("div", "", plot);
    hair.className = "hair";
    note.className = "note";
    note.setAttribute("aria-live", "polite");
    var at = 0.5;
    function hide() { hair.hidden = note.hidden = true; }
    hide();

    function show(x, y) {
      at = Math.max(0, Math.min(1, x));
      var image = plot.querySelector("img");
      var box = values.box;
      var left = image.offsetWidth * (box[0] + at * (box[1] - box[0]));
      hair.hidden = note.hidden = false;
      hair.style.left = left + "px";
      hair.style.top = image.offsetHeight * box[2] + "px";
      hair.style.height = image.offsetHeight * (box[3] - box[2]) + "px";
      note.textContent = words(values, at, y);
      var room = plot.scrollLeft + plot.clientWidth - left;
      note.style.left = (room > note.offsetWidth + 20 ? left + 10 : Math.max(0, left - note.offsetWidth - 10)) + "px";
      note.style.top = image.offsetHeight * box[2] + 4 + "px";
    }
    plot.addEventListener("pointermove", function (event) {
      var image = plot.querySelector("img").getBoundingClientRect();
      var box = values.box;
      var x = ((event.clientX - image.left) / image.width - box[0]) / (box[1] - box[0]);
      var y = ((event.clientY - image.top) / image.height - box[2]) / (box[3] - box[2]);
      if (x < 0 || x > 1 || y < 0 || y > 1) hide(); else show(x, y);
    });
    plot.addEventListener("pointerleave", hide);
    plot.addEventListener("blur", hide);
    plot.addEventListener("keydown", function (event) {
      var step = event.key === "ArrowRight" ? 0.005 : event.key === "ArrowLeft" ? -0.005 : 0;
      if (step && !values.grid) { event.preventDefault(); show(at + (event.shiftKey ? 10 * step : step), 0.5); }
      if (event.key === "Escape") hide();
    });
  }

  document.querySelectorAll("table.criteria").forEach(tools);
  document.querySelectorAll(".plot > script.values").forEach(function (held) {
    pointer(held.parentNode, JSON.parse(held.textContent));
  });
}());
