/* On paper everything is open, and every row is there. */
(() => {
  let opened = [], hidden = [];
  addEventListener("beforeprint", () => {
    opened = [...document.querySelectorAll("details:not([open])")];
    hidden = [...document.querySelectorAll("tbody tr[hidden]")];
    for (const part of opened) part.open = true;
    for (const row of hidden) row.hidden = false;
  });
  addEventListener("afterprint", () => {
    for (const part of opened) part.open = false;
    for (const row of hidden) row.hidden = true;
  });
})();
