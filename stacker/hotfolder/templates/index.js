"use strict";
(() => {
  const box = document.getElementById("fresh");
  if (!box) return;
  let wanted = null;
  try { wanted = sessionStorage.getItem("fresh"); } catch { /* not allowed here */ }
  box.checked = wanted !== "no";
  box.addEventListener("change", () => {
    try { sessionStorage.setItem("fresh", box.checked ? "yes" : "no"); } catch { /* not allowed here */ }
  });
  setInterval(() => { if (box.checked && !document.hidden) location.reload(); }, 10000);
})();
