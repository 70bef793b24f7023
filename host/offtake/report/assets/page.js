"use strict";
// One time cursor for each run: by the slider (arrow keys), or by pointing at a picture over time.
(function () {
  const spaced = (value, digits) => value.toLocaleString("en", {
    minimumFractionDigits: digits, maximumFractionDigits: digits,
  }).replace("-", "\u2212");

  function since(seconds) {
    const total = Math.round(seconds), hours = Math.floor(total / 3600), minutes = Math.floor(total / 60) % 60;
    return (hours ? hours + " h " : "") + (hours || minutes ? minutes + " min " : "") + (total % 60) + " s in";
  }

  function utc(data, seconds) {
    const when = new Date(Date.parse(data.start) + seconds * 1000);
    return Number.isNaN(when.getTime()) ? "" : when.toISOString().slice(0, 19).replace("T", " ") + " UTC";
  }

  // What is told seldom holds until it is told again.
  function place(row, column) {
    let index = column;
    while (row.hold && index > 0 && row.least[index] === null) { index -= 1; }
    return row.least[index] === null ? -1 : index;
  }

  function reading(row, index) {
    const shown = (value) => row.words ? row.words[value] : spaced(value, row.digits);
    const low = shown(row.least[index]), most = row.greatest[index];
    return (most === null ? low : low + " to " + shown(most)) + (row.unit ? " " + row.unit : "");
  }

  document.querySelectorAll(".timed").forEach((timed) => {
    const key = timed.dataset.run;
    const data = JSON.parse(document.getElementById(key + "-data").textContent);
    const slider = document.getElementById(key + "-cursor"), read = document.getElementById(key + "-read");
    const pictures = timed.querySelectorAll("figure.time svg"), maps = timed.querySelectorAll("figure.map svg");
    const number = (svg, name) => Number(svg.dataset[name]);

    function say(words, value, minor) {
      const pair = document.createElement("span"), strong = document.createElement("b");
      pair.className = minor ? "minor" : "";
      strong.textContent = value;
      pair.append(words ? words + " " : "", strong);
      read.append(pair, " ");
    }

    function show(column) {
      const share = (column + 0.5) / data.columns, seconds = share * data.length;
      pictures.forEach((svg) => {
        const line = svg.querySelector(".cursor");
        const x = number(svg, "left") + share * (number(svg, "right") - number(svg, "left"));
        line.setAttribute("x1", x);
        line.setAttribute("x2", x);
        line.classList.add("on");
      });
      maps.forEach((svg) => {
        const dot = svg.querySelector(".cursor"), east = data.east[column], north = data.north[column];
        dot.classList.toggle("on", east !== null);
        if (east === null) { return; }
        const across = (east - number(svg, "west")) / (number(svg, "east") - number(svg, "west"));
        const up = (north - number(svg, "south")) / (number(svg, "north") - number(svg, "south"));
        dot.setAttribute("cx", number(svg, "left") + across * (number(svg, "right") - number(svg, "left")));
        dot.setAttribute("cy", number(svg, "bottom") - up * (number(svg, "bottom") - number(svg, "top")));
      });
      const moment = data.start ? utc(data, seconds) : "";
      read.textContent = "";
      if (moment) { say("", moment); }
      say("", since(seconds));
      data.rows.forEach((row) => {
        const index = place(row, column);
        if (index >= 0) { say(row.name, reading(row, index), row.minor); }
      });
      slider.setAttribute("aria-valuetext", (moment ? moment + ", " : "") + since(seconds));
    }

    slider.addEventListener("input", () => show(Number(slider.value)));
    pictures.forEach((svg) => {
      function follow(event) {
        const box = svg.getBoundingClientRect(), left = number(svg, "left"), right = number(svg, "right");
        const x = (event.clientX - box.left) / box.width * svg.viewBox.baseVal.width;
        const column = Math.floor((x - left) / (right - left) * data.columns);
        if (column >= 0 && column < data.columns) {
          slider.value = String(column);
          show(column);
        }
      }
      svg.addEventListener("pointermove", follow);
      svg.addEventListener("pointerdown", follow);
    });
    timed.querySelector(".control").hidden = false;
  });
}());
