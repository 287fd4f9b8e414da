(() => {
  "use strict";
  const root = document.documentElement;
  const pictures = JSON.parse(document.getElementById("pictures").textContent);
  const shown = [];                       // figures that are there, all of which show the same time
  const span = { begin: pictures.begin_ms, end: pictures.end_ms };
  const whole = { ...span };
  let busy = false;

  // ---- details are open on paper ----
  const opened = [];
  addEventListener("beforeprint", () => {
    for (const one of document.querySelectorAll("details:not([open])")) { one.open = true; opened.push(one); }
  });
  addEventListener("afterprint", () => { while (opened.length) opened.pop().open = false; });

  if (typeof Bokeh === "undefined") return;   // the pictures that stand still are there

  const bytes = (text) => Uint8Array.from(atob(text), (one) => one.charCodeAt(0)).buffer;

  function points(packed) {
    const times = new Uint32Array(bytes(packed.times)), levels = new Int16Array(bytes(packed.levels));
    const x = new Float64Array(times.length), y = new Float64Array(times.length);
    for (let i = 0; i < times.length; i++) {
      x[i] = packed.begin_ms + times[i] * packed.step_ms;
      y[i] = levels[i] === -32768 ? NaN : levels[i] * pictures.level_step;
    }
    return { x, y };
  }

  function paint(document_) {
    const style = getComputedStyle(root);
    for (const model of document_._all_models.values()) {
      for (const tag of model.tags || []) {
        if (Array.isArray(tag) && tag.length === 2) model[tag[0]] = style.getPropertyValue("--" + tag[1]).trim();
      }
    }
  }

  const moment = (ms) => new Date(ms).toISOString().slice(0, 16).replace("T", " ");

  function show(begin, end) {
    const least = 2000, length = Math.min(Math.max(end - begin, least), whole.end - whole.begin);
    begin = Math.min(Math.max(begin, whole.begin), whole.end - length);
    span.begin = begin; span.end = begin + length;
    busy = true;
    for (const one of shown) one.range.setv({ start: span.begin, end: span.end });
    busy = false;
    tell();
  }

  function tell() {
    for (const one of document.querySelectorAll(".shown")) one.textContent = moment(span.begin) + " to " + moment(span.end) + " UTC";
  }

  let waiting = false;
  function follow(range) {
    if (busy || waiting) return;
    waiting = true;
    requestAnimationFrame(() => { waiting = false; show(range.start, range.end); });
  }

  const acts = {
    closer: (length) => [span.begin + length / 4, span.end - length / 4],
    wider: (length) => [span.begin - length / 2, span.end + length / 2],
    earlier: (length) => [span.begin - length / 2, span.end - length / 2],
    later: (length) => [span.begin + length / 2, span.end + length / 2],
    all: () => [whole.begin, whole.end],
  };
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button[data-act]");
    if (button) show(...acts[button.dataset.act](span.end - span.begin));
  });

  function letScroll(element) {          // the library keeps all touches; up and down is the page's
    for (const one of element.querySelectorAll("*")) {
      if (one.classList.contains("bk-events")) one.style.touchAction = "pan-y";
      if (one.shadowRoot) letScroll(one.shadowRoot);
    }
  }

  async function bring(figure) {
    const one = pictures.figures[figure.dataset.picture], place = figure.querySelector(".live");
    figure.classList.add("zoomed");
    try {
      const before = new Set(Bokeh.documents);
      await Bokeh.embed.embed_item(one.item, place);
      const document_ = Bokeh.documents.find((each) => !before.has(each));
      document_.get_model_by_name("level").data = points(one.points);
      const range = document_.get_model_by_name("time");
      paint(document_);
      letScroll(place);
      shown.push({ document: document_, range });
      range.setv({ start: span.begin, end: span.end });
      range.properties.start.change.connect(() => follow(range));
      range.properties.end.change.connect(() => follow(range));
      figure.querySelector(".controls").hidden = false;
      tell();
    } catch (error) {
      figure.classList.remove("zoomed");   // the picture that stands still tells the same
      console.warn(error);
    }
  }

  let last = Promise.resolve();            // one after the other: a figure is known by the document that came with it
  const seen = new IntersectionObserver((entries) => {
    for (const entry of entries) {
      if (!entry.isIntersecting) continue;
      seen.unobserve(entry.target);
      last = last.then(() => bring(entry.target));
    }
  }, { rootMargin: "500px" });
  for (const figure of document.querySelectorAll("figure[data-picture]")) seen.observe(figure);

  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { for (const one of shown) paint(one.document); });
})();
