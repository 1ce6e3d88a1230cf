"""Words of the page that are broken off within: names of batches and files may be, words of ours not."""
BROKEN = r"""
const broken = (all) => {
  const found = [];
  // What is for readers of the blind alone has no width.
  for (const el of all.filter((one) => !one.closest(".unseen"))) {
    const walk = document.createTreeWalker(el, NodeFilter.SHOW_TEXT);
    for (let node = walk.nextNode(); node; node = walk.nextNode()) {
      for (const { 0: word, index } of node.data.matchAll(/[\p{L}’']{4,}/gu)) {
        const range = document.createRange();
        range.setStart(node, index);
        range.setEnd(node, index + word.length);
        const tops = [...range.getClientRects()].map(({ top }) => Math.round(top));
        if (Math.max(...tops) - Math.min(...tops) > 4) found.push(word);
      }
    }
  }
  return found;
};
"""

"""Choices that are wider than their field, and what stands in a field and runs out of it."""
CUT = r"""
const cut = (all) => {
  const brush = document.createElement("canvas").getContext("2d");
  return all.flatMap((one) => {
    const style = getComputedStyle(one);
    brush.font = style.font;
    const within = one.clientWidth - parseFloat(style.paddingLeft) - parseFloat(style.paddingRight);
    // A choice has an arrow beside it, somewhat narrower than its letters are high.
    const [texts, room] = one.tagName === "SELECT"
      ? [[...one.options].map((option) => option.text), within - 0.7 * parseFloat(style.fontSize)] : [[one.value], within];
    // The name of a batch is as long as it is.
    return texts.filter((text) => !/-\d{8}-/.test(text) && brush.measureText(text).width > room + 1);
  });
};
"""

"""Numbers that a line's end may part from their unit."""
PARTED = r"""
const parted = () => {
  const found = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walk.nextNode(); node; node = walk.nextNode()) {
    if (!node.parentElement.checkVisibility() || node.parentElement.closest("pre") || /^(nowrap|pre)$/.test(getComputedStyle(node.parentElement).whiteSpace)) continue;
    found.push(...(node.data.match(/[^ ]*[0-9] (?:[kmµ]?g|%|oz|lb|s|min|h)(?![\p{L}\p{N}])/gu) ?? []));
  }
  return found;
};
"""
