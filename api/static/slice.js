// Turns back the time: the slice is drawn as it was at the hour that the slider, or a finger on the picture, points at.
// The page is whole without this; it redraws what the server has drawn, from the same numbers.
const turn = document.getElementById("turn");
const say = document.getElementById("say");
const now = say?.innerHTML;
let kept = null; // the slice as the server has drawn it

function parts() {
  const cut = document.querySelector(".cut");
  return { svg: cut.querySelector(".big svg"), told: JSON.parse(cut.dataset.history) };
}

function filled(text, fields) {
  return text.replace(/\{(\w+)\}/g, (_, name) => fields[name]);
}

function numbers(text) {
  return text.split(",").map((one) => (one === "" ? null : Number(one)));
}

function pen(svg) {
  const { left, wide, head, scale, thatch } = Object.fromEntries(Object.entries(svg.dataset).map(([k, v]) => [k, Number(v)]));
  const drained = wide * 0.74;
  const x = (w) => left + (Math.max(0, Math.min(135, w)) / 100) * drained;
  return { left, thatch, at: (w, mm) => `${x(w).toFixed(1)} ${(head + mm * scale).toFixed(1)}`, x, y: (mm) => head + mm * scale };
}

function runs(told, place) {
  // depth and wetness along each unbroken run of probes, as the server draws them
  const found = [];
  let run = [];
  told.soil.forEach((one, number) => {
    const wet = one.wet[place];
    if (wet === null) {
      run = [];
      return;
    }
    if (!run.length) {
      run.push([number === 0 ? told.thatch_mm : one.mm - 8, wet]);
      found.push(run);
    } else {
      run.pop();
    }
    run.push([one.mm, wet], [one.mm + (number === told.soil.length - 1 ? 26 : 8), wet]);
  });
  return found;
}

function drawn(place) {
  const { svg, told } = parts();
  kept ??= svg.innerHTML;
  told.soil = told.depths.filter((one) => told.soil.includes(one.key)).map((one) => ({ ...one, wet: numbers(one.wet) }));
  const p = pen(svg);
  const part = (name) => svg.querySelector(`[data-draw="${name}"]`);
  const line = (run) => `M${run.map(([mm, w]) => p.at(w, mm)).join("L")}`;
  const all = runs(told, place);
  part("edge")?.setAttribute("d", all.map(line).join(""));
  part("low")?.setAttribute("d", all.map((run) => `M${p.left} ${p.y(run[0][0])}L${line(run).slice(1)}L${p.left} ${p.y(run.at(-1)[0])}Z`).join(""));
  for (const name of ["high", "thatch-high", "ago"]) part(name)?.setAttribute("d", "");
  const wet = told.thatch ? numbers(told.thatch)[place] : null;
  const reach = wet === null ? p.left : p.x(wet);
  part("thatch-low")?.setAttribute("d", wet === null ? "" : `M${p.left} ${p.y(0)}H${reach}V${p.y(p.thatch)}H${p.left}Z`);
  part("thatch")?.setAttribute("d", wet === null ? "" : `M${Math.max(reach, p.left + 0.8)} ${p.y(0)}V${p.y(p.thatch)}`);
  const texts = say.dataset;
  for (const one of told.depths) {
    const way = numbers(one.wet)[place];
    const volume = numbers(one.volume)[place];
    svg.querySelector(`[data-way="${one.key}"]`).textContent = way === null ? texts.sayNone : `${way} %`;
    svg.querySelector(`[data-volume="${one.key}"]`).textContent = volume === null
      ? texts.sayNothing
      : filled(texts.sayVolume, { volume: `${volume} %` });
  }
  const language = document.documentElement.lang;
  const at = new Date(told.start + (place + 1) * told.step);
  const when = new Intl.DateTimeFormat(language === "en" ? "en-GB" : language, {
    weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", timeZone: told.zone,
  }).format(at);
  const depths = told.depths.map((one) => [one.said, numbers(one.wet)[place]]).map(
    ([depth, wetness]) => filled(wetness === null ? texts.sayUntold : texts.sayDepth, { depth, wetness }),
  );
  say.innerHTML = filled(texts.sayThen, { when: when.replace(",", ""), depths: depths.join(", ") });
}

function turned(place) {
  const last = Number(turn.max);
  turn.value = place;
  const x = ((place + 1) / (last + 1)) * 1000;
  document.getElementById("cursor").setAttribute("d", `M${x} 0V100`);
  if (place < last) {
    drawn(place);
    return;
  }
  say.innerHTML = now;
  if (kept !== null) parts().svg.innerHTML = kept;
  kept = null;
}

if (turn) {
  turn.addEventListener("input", () => turned(Number(turn.value)));
  const pointed = (event) => {
    const box = document.querySelector(".dt").getBoundingClientRect();
    const share = Math.max(0, Math.min(0.9999, (event.clientX - box.left) / box.width));
    turned(Math.floor(share * (Number(turn.max) + 1)));
  };
  const pic = document.getElementById("pic");
  pic.addEventListener("pointerdown", pointed);
  pic.addEventListener("pointermove", (event) => {
    if (event.pointerType !== "mouse" || event.buttons) pointed(event);
  });
  document.addEventListener("changed", () => {
    kept = null;
    turned(Number(turn.value));
  });
}
