"""What is measured on an open page: scripts that give back what is wrong, else nothing."""

from __future__ import annotations

OPEN_ALL = "document.querySelectorAll('details').forEach(fold => { fold.open = true; })"

TOO_SMALL = """
[...document.querySelectorAll('a, button, summary, input:not([type=checkbox]), .layers label')]
  .filter(e => e.getClientRects().length && !e.matches('.skip'))
  .map(e => [e, e.getBoundingClientRect()])
  .filter(([e, r]) => r.height < 43.99 || r.width < 43.99)
  .map(([e, r]) => `${e.tagName} ${e.className} ${e.textContent} ${r.width} x ${r.height}`)
"""
"""What a finger may want to hit and is smaller than 44 x 44 px (WCAG 2.1, criterion 2.5.5)."""

BROKEN_VALUES = """
[...document.querySelectorAll('.measure .value b, .measure .limit')]
  .filter(e => e.getClientRects().length)
  .filter(e => e.getBoundingClientRect().height > 2 * parseFloat(getComputedStyle(e).fontSize))
  .map(e => e.textContent)
"""
"""Values with their units that do not stand on one line."""

CUT_TABLES = """
[...document.querySelectorAll('.scroll')].filter(e => e.scrollWidth > e.clientWidth + 1)
  .map(e => `${e.getAttribute('aria-labelledby')} ${e.scrollWidth} in ${e.clientWidth}`)
"""
"""Tables that reach beyond what is shown of them."""

NAMES = """
[...document.querySelectorAll('#map text')].filter(e => e.getClientRects().length)
  .map(e => [e.textContent, e.getBoundingClientRect()])
  .map(([text, r]) => [text, r.left, r.top, r.right, r.bottom])
"""
"""Every text that shows on the plan with its box: left, top, right, bottom."""

NAMES_OVER_NAMES = """
(() => {
  const names = [...document.querySelectorAll('#map text')].filter(e => e.getClientRects().length)
    .map(e => [e.textContent, e.getBoundingClientRect()]);
  const edge = document.getElementById('map').getBoundingClientRect(), wrong = [];
  names.forEach(([name, a], i) => {
    const inside = a.left >= edge.left && a.right <= edge.right
      && a.top >= edge.top - 1 && a.bottom <= edge.bottom + 1;
    if (!inside) wrong.push(`${name} leaves the plan`);
    for (const [other, b] of names.slice(i + 1)) {
      if (a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom) {
        wrong.push(`${name} over ${other}`);
      }
    }
  });
  return wrong;
})()
"""
"""Names that stand over one another or reach beyond the plan."""
