// Draws a chart beside its table once it comes near the screen. Without this script the table remains.

const here = document.querySelector("script[data-library]");
let library;

function load() {
  library ??= new Promise((resolve, reject) => {
    // Plotly adds its own style element unless it finds one with this id and class: the policy allows none inline.
    const style = document.createElement("link");
    style.rel = "stylesheet";
    style.id = "plotly.js-style-global";
    style.className = "no-inline-styles";
    style.href = here.dataset.style;
    const script = document.createElement("script");
    script.src = here.dataset.library;
    script.onload = () => resolve(window.Plotly);
    script.onerror = reject;
    style.onload = () => document.head.append(script);
    style.onerror = reject;
    document.head.append(style);
  });
  return library;
}

function colour(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
}

// Figures name the page's inks; light or dark, they are what the page's style says.
function inked(value) {
  if (Array.isArray(value)) return value.map(inked);
  if (value && typeof value === "object") {
    return Object.fromEntries(Object.entries(value).map(([key, inner]) => [key, inked(inner)]));
  }
  if (typeof value === "string" && value.startsWith("ink:")) return colour(`--${value.slice(4)}`);
  return value;
}

async function draw(figure) {
  const plot = figure.querySelector(".plot");
  try {
    const [Plotly, answer] = await Promise.all([load(), fetch(figure.dataset.chart)]);
    if (!answer.ok) throw new Error(`chart: ${answer.status}`);
    const { title, data, layout } = await answer.json();
    const paint = () => {
      const shown = inked({ data, layout });
      return Plotly.react(plot, shown.data, shown.layout, { responsive: true, displayModeBar: false });
    };
    await paint();
    plot.setAttribute("role", "img");
    plot.setAttribute("aria-label", `${title}. The numbers are in the table above.`);
    figure.dataset.drawn = "yes";
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", paint);
  } catch (error) {
    figure.hidden = true;
    console.warn(error);
  }
}

const watcher = new IntersectionObserver((entries) => {
  for (const entry of entries) {
    if (entry.isIntersecting) {
      watcher.unobserve(entry.target);
      draw(entry.target);
    }
  }
}, { rootMargin: "300px" });

for (const figure of document.querySelectorAll("figure[data-chart]")) {
  figure.hidden = false;
  watcher.observe(figure);
}
