() => {
  // Words of a figure that stick out of it: cut for the reader.
  const cut = [];
  for (const plot of document.querySelectorAll('.plot')) {
    const frame = plot.getBoundingClientRect();
    for (const text of plot.querySelectorAll('svg text')) {
      const box = text.getBoundingClientRect();
      if (!box.width || !text.textContent.trim()) continue;
      if (box.left < frame.left - 1 || box.right > frame.right + 1 || box.top < frame.top - 1
        || box.bottom > frame.bottom + 1) cut.push(text.textContent);
    }
  }
  return cut;
}
