"use strict";
// Sorts and filters the cells of a matrix. Everything can be read without it.
(function () {
  const grid = document.getElementById("grid");
  if (!grid) return;
  const body = grid.tBodies[0];
  const heads = Array.from(grid.tHead.rows[0].cells);

  function key(row, column) {
    const place = row.cells[column];
    const number = place.getAttribute("data-v");
    return number === null ? place.textContent.trim() : Number(number);
  }

  function compare(one, other) {
    if (typeof one === "number" && typeof other === "number") return one - other;
    if (typeof one === "number") return -1;
    if (typeof other === "number") return 1;
    return one.localeCompare(other, "en", { numeric: true });
  }

  function sort(column) {
    const down = heads[column].getAttribute("aria-sort") === "ascending";
    const rows = Array.from(body.rows).map((row) => ({ row: row, key: key(row, column) }));
    rows.sort(function (a, b) {
      // What has no value stays at the end.
      if (a.key === "" || b.key === "") return (a.key === "") - (b.key === "");
      return down ? compare(b.key, a.key) : compare(a.key, b.key);
    });
    rows.forEach((entry) => body.appendChild(entry.row));
    heads.forEach((head) => head.removeAttribute("aria-sort"));
    heads[column].setAttribute("aria-sort", down ? "descending" : "ascending");
  }

  heads.forEach(function (head, column) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = head.textContent;
    button.addEventListener("click", () => sort(column));
    head.replaceChildren(button);
  });

  const form = document.getElementById("sieve");
  const words = document.getElementById("sieve-words");
  const outcome = document.getElementById("sieve-outcome");
  const count = document.getElementById("sieve-count");

  function filter() {
    const wanted = words.value.toLowerCase().split(/\s+/).filter(Boolean);
    let shown = 0;
    Array.from(body.rows).forEach(function (row) {
      const text = row.textContent.toLowerCase();
      const right = outcome.value === "" || row.getAttribute("data-outcome") === outcome.value;
      row.hidden = !(right && wanted.every((word) => text.includes(word)));
      if (!row.hidden) shown += 1;
    });
    count.textContent = shown + " of " + body.rows.length + " cells shown";
  }

  form.addEventListener("submit", (event) => event.preventDefault());
  words.addEventListener("input", filter);
  outcome.addEventListener("change", filter);
  form.hidden = false;
  filter();
})();
