'use strict';
(() => {
  const body = document.body, banner = document.getElementById('stale');
  const late = 1000 * Number(body.dataset.staleS), lost = 6000; // two beats of a slow van; two tries of a lost link
  let want = '', source = null, last = Date.now(), born = last - 1000 * Number(body.dataset.ageS), old = body.hasAttribute('data-stale'), drawing = false;

  const stale = (is, words) => {
    banner.hidden = !is;
    body.toggleAttribute('data-stale', is);
    if (is && banner.textContent !== words) banner.textContent = words;
  };

  const ago = (s) => s < 2 ? 'just now' : s < 60 ? s + ' s ago' : s < 3600 ? Math.floor(s / 60) + ' min ago' : Math.floor(s / 3600) + ' h ago';

  const judge = () => {
    const age = document.getElementById('ago'), words = ago(Math.floor((Date.now() - born) / 1000));
    if (age && age.textContent !== words) age.textContent = words;
    const quiet = Date.now() - last, open = source && source.readyState === 1;
    if (old) stale(true, 'Stale. Nothing new from the sensors. What stands below is old.');
    else if (quiet > (open ? late : lost)) stale(true, 'Stale. This phone has lost the van. What stands below is old.');
    else stale(false);
  };

  const draw = async (shape) => { // the page has another shape now: fetch it and change the live part
    if (drawing) return;
    drawing = true;
    try {
      const answer = await fetch('/', {cache: 'no-store'});
      if (answer.ok) {
        const page = new DOMParser().parseFromString(await answer.text(), 'text/html');
        const fresh = page.getElementById('live');
        if (fresh) {
          document.getElementById('live').replaceWith(fresh);
          document.title = page.title;
        }
      }
    } catch (e) { /* the next event tries again */ }
    drawing = false;
  };

  const take = (event) => {
    const news = JSON.parse(event.data), text = news.text || {};
    last = Date.now();
    born = last - 1000 * news.stamp.age_s;
    old = news.stamp.stale;
    judge();
    for (const el of document.querySelectorAll('[data-live]')) {
      const now = text[el.dataset.live];
      if (now !== undefined && now !== el.textContent) el.textContent = now;
    }
    if (text.shape) want = text.shape;
    if (want && want !== document.getElementById('live').dataset.shape) draw();
  };

  const door = () => location.replace('/pair'); // this phone is not paired any more
  const knock = () => fetch('/api/alarms').then((answer) => { if (answer.status === 401) door(); }, () => {});
  const close = () => { if (source) source.close(); source = null; };
  const open = () => {
    if (document.hidden || source) return;
    source = new EventSource('/api/stream');
    source.addEventListener('snapshot', take);
    source.addEventListener('change', take);
    source.addEventListener('unpaired', door);
    source.onerror = () => { if (source && source.readyState === 2) { close(); knock(); setTimeout(open, 5000); } };
  };

  document.addEventListener('visibilitychange', () => {
    if (document.hidden) close();
    else open();
  });
  addEventListener('pagehide', close);
  setInterval(judge, 1000);
  open();
})();
