"use strict";
// A job: wait for its changes and show them; at its end, go to the answer.
const job = document.getElementById("job");
if (job && job.dataset.over === "0") {
  const says = document.getElementById("says");
  let seen = job.dataset.version, shown = job.querySelectorAll(".hint").length;
  const line = (tag, text, parent) => { const e = document.createElement(tag); e.textContent = text; parent.append(e); return e; };
  const hint = (p) => {
    const box = document.createElement("section"); box.className = "hint";
    line("h2", "Already seen in " + p.name, box);
    const held = document.createElement("div"); held.className = "pointed"; box.append(held);
    const img = new Image(p.size[0], p.size[1]); img.src = p.picture; img.alt = "The photo, small"; held.append(img);
    const ns = "http://www.w3.org/2000/svg", svg = document.createElementNS(ns, "svg");
    svg.setAttribute("viewBox", "0 0 100 100"); svg.setAttribute("preserveAspectRatio", "none"); held.append(svg);
    const list = document.createElement("ul"); box.append(list);
    for (const h of p.hints) {
      line("li", h.says, list);
      if (h.box) for (const style of ["halo", "ink"]) {
        const r = document.createElementNS(ns, "rect"); r.setAttribute("class", style);
        ["x", "y", "width", "height"].forEach((k, i) => r.setAttribute(k, 100 * h.box[i])); svg.append(r);
      }
    }
    document.getElementById("hints").append(box);
  };
  // Rest between tries; ends at once when the network or the screen comes back.
  const rest = (ms) => new Promise((done) => {
    const go = () => { clearTimeout(timer); removeEventListener("online", go); document.removeEventListener("visibilitychange", go); done(); };
    const timer = setTimeout(go, ms); addEventListener("online", go); document.addEventListener("visibilitychange", go);
  });
  const wait = async () => {
    for (let lost = 0; ;) {
      try {
        const stop = new AbortController(), late = setTimeout(() => stop.abort(), 30000);
        let s;
        try {
          const answer = await fetch(`/jobs/${job.dataset.uid}/state?seen=${seen}`, { signal: stop.signal });
          if (answer.status === 403) { location.reload(); return; }
          s = await answer.json();
        } finally { clearTimeout(late); }
        lost = 0;
        if (!["waiting", "running"].includes(s.state)) { location.replace(`/jobs/${job.dataset.uid}`); return; }
        seen = s.version;
        says.textContent = s.ahead ? s.ahead + " before it" : s.says || "waiting";
        while (shown < s.photos.length) hint(s.photos[shown++]);
      } catch { says.textContent = "no connection to the bench computer, trying again"; await rest(Math.min(1000 * 2 ** lost++, 8000)); }
    }
  };
  wait();
}
// An overview that grows: take over what has changed, and leave the reader where he is.
let several = document.getElementById("several");
const grow = async () => {
  while (several.dataset.live === "1") {
    await new Promise((done) => setTimeout(done, 1500));
    try {
      const page = new DOMParser().parseFromString(await (await fetch(location.href)).text(), "text/html");
      const now = page.getElementById("several");
      if (now && (now.dataset.seen !== several.dataset.seen || now.dataset.live === "0")) { several.replaceWith(now); several = now; }
    } catch { /* out of reach for now: the next round asks again */ }
  }
};
if (several) grow();
// A form with files: show how much has been sent, send once only.
for (const form of document.querySelectorAll('form[enctype="multipart/form-data"]')) {
  const old = form.querySelector("#artwork_kept"), art = form.querySelector("#artwork");
  if (old && art && !art.dataset.have) { const need = () => { art.required = !old.value; }; old.addEventListener("change", need); need(); }
  const tally = document.getElementById("tally");
  if (tally) {
    const count = () => { for (const li of tally.children) { const f = form.elements[li.dataset.for]; li.classList.toggle("on", li.dataset.for === "photos" || !!(f && f.value)); } };
    form.addEventListener("change", count); count();
  }
  let idle = () => {};
  addEventListener("pageshow", (event) => { if (event.persisted) idle(); });
  form.addEventListener("submit", (event) => {
    if (!window.FormData || form.dataset.sent) return;
    event.preventDefault(); form.dataset.sent = "1";
    const button = form.querySelector("p.go button"), words = button.textContent, bar = document.createElement("progress");
    button.disabled = true; button.textContent = "Sending…"; bar.max = 1; bar.setAttribute("aria-label", "Sent"); button.before(bar);
    const call = new XMLHttpRequest();
    call.open("POST", form.action); call.responseType = "document";
    call.upload.onprogress = (e) => { if (e.lengthComputable) bar.value = e.loaded / e.total; };
    idle = () => { delete form.dataset.sent; button.disabled = false; button.textContent = words; bar.remove(); };
    const again = (text) => { idle();
      let p = document.getElementById("wrong"); if (!p) { p = document.createElement("p"); p.id = "wrong"; p.className = "wrong"; p.setAttribute("role", "alert"); form.before(p); }
      p.textContent = text; p.scrollIntoView(); };
    call.onload = () => {
      if (call.status < 400 && call.responseURL) { location.assign(call.responseURL); return; }
      const said = call.response && (call.response.getElementById("wrong") || call.response.querySelector("h1"));
      again(said ? said.textContent : "It did not arrive: try again.");
    };
    call.onerror = () => again("No connection to the bench computer: is the phone still in its network?");
    call.send(new FormData(form));
  });
}
