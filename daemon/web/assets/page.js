'use strict';
(() => {
  const body = document.body, banner = document.getElementById('stale'), told = document.getElementById('told');
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

  // An alarm is spoken once: when it comes to stand on the page, not each time that is redrawn.
  let spoken = [];
  const speak = () => {
    const here = [...document.querySelectorAll('.place [data-alarm]')];
    const fresh = here.filter((a) => !spoken.includes(a.dataset.alarm));
    spoken = here.map((a) => a.dataset.alarm);
    if (fresh.length) told.textContent = fresh.map((a) => a.querySelector('.eyebrow').textContent + ': ' + a.querySelector('h1,h2').textContent + '. ' + a.querySelector('li').textContent).join(' ');
    else if (!here.length) told.textContent = '';
  };

  // What a form was answered holds for that press. It is not said again when the page is loaded
  // again, nor beside an alarm that came after it.
  const answered = () => {
    const said = document.querySelector('.said[role=status]');
    if (!said) return;
    if (location.search.startsWith('?done=')) history.replaceState(null, '', location.pathname);
    if (spoken.length) said.dataset.beside = spoken.join(' ');
  };
  const outdated = () => {
    const said = document.querySelector('.said[role=status]');
    if (said && spoken.some((id) => !(said.dataset.beside || '').split(' ').includes(id))) said.remove();
  };

  // Only what differs is exchanged, so that a finger or a screen reader keeps its place.
  const change = (page) => {
    const live = document.getElementById('live'), fresh = page.getElementById('live');
    if (!fresh) return;
    const at = document.activeElement, html = at && live.contains(at) ? at.outerHTML : '';
    const strip = document.getElementById('strip'), left = strip && strip.scrollLeft;
    const a = [...live.children], b = [...fresh.children];
    if (a.length === b.length && a.every((e, i) => e.id === b[i].id && e.tagName === b[i].tagName)) {
      a.forEach((e, i) => { if (e.outerHTML !== b[i].outerHTML) e.replaceWith(b[i]); });
    } else live.replaceChildren(...b);
    live.dataset.shape = fresh.dataset.shape;
    document.title = page.title;
    if (html && !live.contains(at)) {
      const again = [...live.querySelectorAll(at.tagName)].find((e) => e.outerHTML === html);
      if (again) again.focus({preventScroll: true});
    }
    const now = document.getElementById('strip');
    if (now && now !== strip) { if (left === null) centre(); else now.scrollLeft = left; }
    speak();
    outdated();
    document.dispatchEvent(new Event('redrawn'));
  };

  const fetched = async (url) => {
    const answer = await fetch(url, {cache: 'no-store'});
    return answer.ok ? new DOMParser().parseFromString(await answer.text(), 'text/html') : null;
  };

  const draw = async () => { // the page has another shape now
    if (drawing) return;
    drawing = true;
    try {
      const page = await fetched(/^\/(do|look|test\/)/.test(location.pathname) ? '/' : // an answer to a form stands on the first page
         location.pathname + location.search);
      if (page) change(page);
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

  // The strip begins at tonight: a third of it is for what is to come.
  const centre = () => {
    const strip = document.getElementById('strip'), here = strip && strip.querySelector('.tonight-here');
    if (here) strip.scrollLeft = here.offsetLeft - strip.offsetLeft - strip.clientWidth * 0.6;
  };

  document.addEventListener('visibilitychange', () => {
    if (document.hidden) close();
    else open();
  });
  addEventListener('pagehide', close);
  addEventListener('pageshow', (event) => { if (event.persisted) open(); }); // taken out of the browser's memory as it was
  setInterval(judge, 1000);
  centre();
  speak();
  answered();
  open();
})();
