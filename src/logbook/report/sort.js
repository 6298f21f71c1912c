"use strict";
// A click on a heading sorts its table by that column, another turns it round. Without this all tables read as they are.
for (const table of document.querySelectorAll("table.sorts")) {
  const body = table.tBodies[0];
  const key = (row, at) => row.cells[at].dataset.by ?? row.cells[at].textContent;
  [...table.tHead.rows[0].cells].forEach((head, at) => {
    const button = document.createElement("button");
    button.type = "button";
    button.append(...head.childNodes);
    head.append(button);
    button.addEventListener("click", () => {
      const turn = head.ariaSort === "ascending" ? -1 : 1;
      for (const other of table.tHead.rows[0].cells) other.ariaSort = null;
      head.ariaSort = turn === 1 ? "ascending" : "descending";
      const compared = (a, b) => turn * (a - b || String(a).localeCompare(String(b)));
      body.append(...[...body.rows].sort((a, b) => compared(key(a, at), key(b, at))));
    });
  });
}
