// Every visible text whose contrast with the colour behind it is below WCAG 2.2 AA.
() => {
  const parse = (text) => (text.match(/[\d.]+/g) || []).map(Number);
  const linear = (c) => { const s = c / 255; return s <= 0.03928 ? s / 12.92 : ((s + 0.055) / 1.055) ** 2.4; };
  const light = ([r, g, b]) => 0.2126 * linear(r) + 0.7152 * linear(g) + 0.0722 * linear(b);
  const ratio = (a, b) => { const [x, y] = [light(a), light(b)].sort((p, q) => q - p); return (x + 0.05) / (y + 0.05); };
  const behind = (element) => {
    for (let one = element; one; one = one.parentElement) {
      const colour = parse(getComputedStyle(one).backgroundColor);
      if (colour.length === 3 || colour[3] > 0.99) return colour;
    }
    return matchMedia("(prefers-color-scheme: dark)").matches ? [12, 16, 20] : [255, 255, 255];
  };
  const found = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const element = walker.currentNode.parentElement;
    if (!walker.currentNode.textContent.trim() || element.closest("svg, script, noscript, option, .sr, .skip, [hidden]")) continue;
    const style = getComputedStyle(element);
    if (style.visibility === "hidden" || element.getClientRects().length === 0) continue;
    if (element.closest(".answer.level-unknown")) continue;
    const size = parseFloat(style.fontSize);
    const large = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700);
    const value = ratio(parse(style.color), behind(element));
    if (value < (large ? 3 : 4.5)) found.push(`${value.toFixed(2)} ${element.textContent.trim().slice(0, 40)}`);
  }
  return found;
}
