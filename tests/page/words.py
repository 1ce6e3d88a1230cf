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
