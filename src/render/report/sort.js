// Heads of the tables that can be sorted become buttons; without this script the page is whole.
for (const table of document.querySelectorAll("table.sortable")) {
  const body = table.tBodies[0];
  const heads = [...table.tHead.rows[0].cells];
  const order = new Intl.Collator(undefined, { numeric: true });
  const compare = (a, b) => {
    if (a === "" || b === "") return 0;
    const [x, y] = [Number(a), Number(b)];
    return Number.isNaN(x) || Number.isNaN(y) ? order.compare(a, b) : x - y;
  };
  heads.forEach((head, at) => {
    const button = document.createElement("button");
    button.type = "button";
    button.append(...head.childNodes);
    head.append(button);
    button.addEventListener("click", () => {
      const down = head.getAttribute("aria-sort") === "ascending";
      heads.forEach((other) => other.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", down ? "descending" : "ascending");
      const rows = [...body.rows].map((row) => {
        const cell = row.cells[at];
        return [cell.dataset.value ?? cell.textContent, row];
      });
      // What has no value stays below in either direction.
      rows.sort(([a], [b]) => (a === "") - (b === "") || (down ? compare(b, a) : compare(a, b)));
      body.append(...rows.map(([, row]) => row));
    });
  });
}
for (const hint of document.querySelectorAll("[data-sorts]")) hint.hidden = false;
