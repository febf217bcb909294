/* Tables: sorted by a click on a heading, and filtered by verdict and name. */
(() => {
  const value = cell => cell.dataset.v ?? cell.textContent.trim();
  const compare = (a, b) => {
    const x = Number(a), y = Number(b);
    if (!Number.isNaN(x) && !Number.isNaN(y)) return x - y;
    return a.localeCompare(b, document.documentElement.lang, {numeric: true});
  };
  for (const table of document.querySelectorAll("table.sortable")) {
    const heads = [...table.tHead.querySelectorAll("th[data-column]")];
    const body = table.tBodies[0];
    for (const head of heads) {
      const button = document.createElement("button");
      button.type = "button";
      button.append(...head.childNodes);
      head.append(button);
      button.addEventListener("click", () => {
        const down = head.getAttribute("aria-sort") === "ascending";
        const column = Number(head.dataset.column);
        for (const other of heads) other.removeAttribute("aria-sort");
        head.setAttribute("aria-sort", down ? "descending" : "ascending");
        const known = [], empty = [];
        for (const row of body.rows) {
          const v = value(row.cells[column]);
          (v === "" || v === "–" ? empty : known).push([v, row]);
        }
        known.sort((a, b) => (down ? compare(b[0], a[0]) : compare(a[0], b[0])));
        body.append(...known.concat(empty).map(pair => pair[1]));
      });
    }
  }
  for (const form of document.querySelectorAll("form.filter")) {
    const rows = [...document.getElementById(form.dataset.table).tBodies[0].rows];
    const {verdict, name} = form.elements;
    const output = form.querySelector("output");
    const apply = () => {
      const wanted = name.value.trim().toLocaleLowerCase();
      let shown = 0;
      for (const row of rows) {
        const here = (!verdict.value || row.classList.contains(verdict.value)) &&
          row.cells[0].textContent.toLocaleLowerCase().includes(wanted);
        row.hidden = !here;
        shown += here;
      }
      output.textContent =
        shown === rows.length ? "" : output.dataset.said.replace("{shown}", shown);
    };
    form.addEventListener("input", apply);
    form.addEventListener("submit", event => event.preventDefault());
    form.hidden = false;
    apply();
  }
})();
