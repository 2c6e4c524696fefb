"""What every page must fulfil on a desk and on a phone, light and dark: axe finds nothing, nothing sticks out sideways."""

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

from .conftest import DESK, PHONE

# The whole rule set where structure may differ, the colours alone where only they do; only violations are worked out.
WHOLE = {"resultTypes": ["violations"]}
COLOURS = {**WHOLE, "runOnly": {"type": "rule", "values": ["color-contrast", "link-in-text-block"]}}
LOOKS = [("light", DESK, WHOLE), ("dark", DESK, COLOURS), ("dark", PHONE, WHOLE), ("light", PHONE, COLOURS)]


def faults_of(page: Page) -> list[str]:
    """What is wrong with the page as it stands, in all four looks."""
    found = []
    for scheme, size, rules in LOOKS:
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        page.set_viewport_size(size)  # type: ignore[arg-type]
        where = f"{page.url} {scheme} {size['width']} px"
        for violation in Axe().run(page, options=rules).response["violations"]:
            for node in violation["nodes"][:3]:
                found.append(f"{where}: {violation['id']}: {violation['help']}: {node['html'][:160]}")
        wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        if wide > 0:
            found.append(f"{where}: sticks out by {wide} px: {page.evaluate(WIDEST)}")
    return found


# The element that reaches furthest to the right without a scrolling box of its own around it.
WIDEST = """() => {
  let widest = null, edge = document.documentElement.clientWidth;
  for (const each of document.querySelectorAll('main *, header *')) {
    const right = each.getBoundingClientRect().right;
    let box = each.parentElement, boxed = false;
    while (box) { if (getComputedStyle(box).overflowX !== 'visible') boxed = true; box = box.parentElement; }
    if (!boxed && right > edge + 0.5) { edge = right; widest = each; }
  }
  return widest ? widest.outerHTML.slice(0, 200) : '';
}"""
