// Paper has nothing to unfold: all is opened before printing, and what was folded is folded again afterwards.
let folded = [];
addEventListener("beforeprint", () => {
  folded = [...document.querySelectorAll("details:not([open])")];
  folded.forEach((part) => { part.open = true; });
});
addEventListener("afterprint", () => folded.forEach((part) => { part.open = false; }));
