'use strict';
// What the pages beside the first one do better with a script; each works without.
(() => {
  // The net weight while the tare is being typed, in the van's own words.
  const another = document.getElementById('another'), net = document.getElementById('net');
  let typing = 0, asked = 0;
  const weigh = async () => {
    const mine = ++asked, form = new URLSearchParams(new FormData(another));
    form.set('do', 'preview');
    try {
      const answer = await fetch('/change', {method: 'POST', body: form, cache: 'no-store'});
      const page = new DOMParser().parseFromString(await answer.text(), 'text/html');
      const fresh = page.getElementById('net');
      if (fresh && mine === asked) net.replaceChildren(...fresh.childNodes);
    } catch (e) { /* the button still works */ }
  };
  if (another && net) {
    for (const button of another.querySelectorAll('.preview')) button.hidden = true;
    another.addEventListener('input', () => { clearTimeout(typing); typing = setTimeout(weigh, 400); });
  }

  // A minute at each joint. The clock may be set meanwhile, so it is not asked.
  for (const timer of document.querySelectorAll('.timer')) {
    const says = timer.querySelector('output'), total = Number(timer.dataset.wait);
    let beat = 0;
    timer.hidden = false;
    timer.querySelector('button').addEventListener('click', () => {
      clearInterval(beat);
      const from = performance.now();
      const show = () => {
        const left = Math.ceil(total - (performance.now() - from) / 1000);
        says.textContent = left > 0 ? left + ' s left' : 'Time is over: what do you see?';
        if (left <= 0) clearInterval(beat);
      };
      show();
      beat = setInterval(show, 250);
    });
  }

  // Where the page follows nothing by itself, it still gives way to an alarm that sends
  // people out: the van then answers with the way back to the first page. What is asked
  // because of that alarm stays, and so does a page that was drawn with it.
  if (document.querySelector('input[name="do"][value="reset"], .alarm[role=alert]')) return;
  setInterval(async () => {
    if (document.hidden) return;
    try {
      const answer = await fetch('/check', {redirect: 'manual', cache: 'no-store'});
      if (answer.type === 'opaqueredirect') location.href = '/';
    } catch (e) { /* the next one tries again */ }
  }, 10000);
})();
