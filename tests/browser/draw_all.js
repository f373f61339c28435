async () => {
  // Every figure taken over by the plotting library, as a reader's touch does it.
  document.querySelectorAll('details').forEach((d) => { d.open = true; });
  for (const plot of document.querySelectorAll('.plot')) {
    plot.scrollIntoView();
    catchpot.figures.settle(plot);
    await catchpot.figures.bring(plot);
  }
  window.scrollTo(0, 0);
}
