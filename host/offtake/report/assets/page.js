"use strict";
// One time cursor for each run: by the slider (arrow keys), or by pointing at a picture of its stack.
(function () {
  function shown(value, digits) {
    return value.toLocaleString("en", { minimumFractionDigits: digits, maximumFractionDigits: digits })
      .replace("-", "\u2212");
  }
  function since(seconds) {
    var total = Math.round(seconds), h = Math.floor(total / 3600), m = Math.floor(total / 60) % 60, s = total % 60;
    return (h ? h + " h " : "") + (h || m ? m + " min " : "") + s + " s";
  }
  function at(row, column) {
    // What is told seldom holds until it is told again.
    for (var index = column; index >= 0; index -= 1) {
      if (row.least[index] !== null) { return index; }
      if (!row.hold) { return -1; }
    }
    return -1;
  }
  document.querySelectorAll(".stack").forEach(function (stack) {
    var key = stack.getAttribute("data-run");
    var data = JSON.parse(document.getElementById(key + "-data").textContent);
    var slider = document.getElementById(key + "-cursor");
    var read = document.getElementById(key + "-read");
    var pictures = stack.querySelectorAll("svg[data-left]");
    function show(column) {
      var share = (column + 0.5) / data.columns, seconds = share * data.length;
      pictures.forEach(function (svg) {
        var left = Number(svg.getAttribute("data-left")), right = Number(svg.getAttribute("data-right"));
        var line = svg.querySelector("line.cursor"), x = left + share * (right - left);
        line.setAttribute("x1", x);
        line.setAttribute("x2", x);
        line.classList.add("on");
      });
      read.textContent = "";
      function say(words, value) {
        read.appendChild(document.createTextNode((read.childNodes.length ? "; " : "") + words + " "));
        var strong = document.createElement("b");
        strong.textContent = value;
        read.appendChild(strong);
      }
      say("at", since(seconds));
      if (data.start) {
        say("UTC", new Date(Date.parse(data.start) + seconds * 1000).toISOString().slice(0, 19).replace("T", " "));
      }
      data.rows.forEach(function (row) {
        var index = at(row, column);
        if (index < 0) { return; }
        var low = shown(row.least[index], row.digits), high = shown(row.greatest[index], row.digits);
        say(row.name.toLowerCase(), (low === high ? low : low + " to " + high) + (row.unit ? " " + row.unit : ""));
      });
      slider.setAttribute("aria-valuetext", since(seconds));
    }
    slider.addEventListener("input", function () { show(Number(slider.value)); });
    pictures.forEach(function (svg) {
      svg.addEventListener("pointermove", function (event) {
        var box = svg.getBoundingClientRect(), view = svg.viewBox.baseVal;
        var left = Number(svg.getAttribute("data-left")), right = Number(svg.getAttribute("data-right"));
        var x = (event.clientX - box.left) / box.width * view.width;
        var column = Math.floor((x - left) / (right - left) * data.columns);
        if (column >= 0 && column < data.columns) {
          slider.value = String(column);
          show(column);
        }
      });
    });
    slider.closest(".control").hidden = false;
  });
}());
