// What every chart shares: the library once it has loaded, the colours of day or night, a box whose size a chart follows.

// the library loads alongside everything else: words and buttons need not wait for it. Where it does not run (an engine
// whose language is "C", as on a bare machine, has no number format for it), the rest of the page goes on without curves
const library = new Promise((done) => {
  if (globalThis.uPlot) done();
  else document.getElementById("chart").addEventListener("load", () => { if (globalThis.uPlot) done(); });
});

export const colour = (role) => getComputedStyle(document.documentElement).getPropertyValue(`--${role}`).trim();

/** Makes a chart follow the width of its box and the colours of day or night; returns a function that ends this. */
export function mount(box, height, build) {
  let chart = null, ended = false;
  const draw = () => {
    if (!globalThis.uPlot) { library.then(draw); return; }
    if (ended) return;
    const width = Math.floor(box.clientWidth);
    if (width < 50) return;
    const high = typeof height === "function" ? height() : height;
    box.style.minHeight = `${high}px`; // keep the page's height meanwhile, or a scrollbar would come and go
    chart?.destroy();
    chart = build(width, high, box);
  };
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const watch = new ResizeObserver(() => {
    if (chart && Math.abs(chart.width - Math.floor(box.clientWidth)) < 2) return;
    draw();
  });
  watch.observe(box);
  dark.addEventListener("change", draw);
  return {
    draw,
    end() { ended = true; watch.disconnect(); dark.removeEventListener("change", draw); chart?.destroy(); chart = null; },
  };
}
