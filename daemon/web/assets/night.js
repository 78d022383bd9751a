'use strict';
(() => {
  // The picture of a night: a crosshair with the server's words, pinch and drag.
  const dress = (keep) => {
    const chart = document.getElementById('chart');
    if (!chart || document.getElementById('at')) return;
    const svg = chart.querySelector('svg'), cross = svg.querySelector('.night-cross'), box = svg.viewBox.baseVal;
    const words = chart.dataset.words.split('\t'), says = chart.dataset.says.split('\n').map((l) => l.split('\t'));
    const left = Number(svg.dataset.left), wide = Number(svg.dataset.right) - left;
    const from = Number(chart.dataset.from), to = Number(chart.dataset.to), span = Number(chart.dataset.span);

    const range = document.createElement('input'), readout = document.createElement('dl'), label = document.createElement('label');
    Object.assign(range, {type: 'range', id: 'at', min: 0, max: says.length - 1, step: 1});
    Object.assign(label, {htmlFor: 'at', className: 'vh', textContent: 'Moment of the night'});
    readout.className = 'readout';
    const cells = ['at', ...words].map((w) => {
      const pair = document.createElement('div'), dt = document.createElement('dt'), dd = document.createElement('dd');
      dt.textContent = w;
      pair.append(dt, dd);
      readout.append(pair);
      return dd;
    });
    chart.append(label, range, readout);

    const point = (i) => {
      i = Math.min(says.length - 1, Math.max(0, Math.round(i)));
      range.value = i;
      cross.setAttribute('transform', 'translate(' + (left + (i + 0.5) / says.length * wide) + ' 0)');
      cells.forEach((c, k) => { c.textContent = says[i][k]; });
      range.setAttribute('aria-valuetext', says[i].map((s, k) => k ? words[k - 1] + ' ' + s : s).join(', '));
    };
    range.addEventListener('input', () => point(Number(range.value)));

    const share = (x) => { // of the time axis, of a place on the screen
      const r = svg.getBoundingClientRect();
      return ((x - r.left) / r.width * box.width - left) / wide;
    };
    const show = async (a, b) => {
      const least = 20;
      if (b - a < least) { const m = (a + b) / 2; a = m - least / 2; b = m + least / 2; }
      if (a < 0) { b = Math.min(span, b - a); a = 0; }
      if (b > span) { a = Math.max(0, a - (b - span)); b = span; }
      a = Math.round(a); b = Math.round(b);
      const url = location.pathname + (a === 0 && b === span ? '' : '?from=' + a + '&to=' + b);
      try {
        const answer = await fetch(url, {cache: 'no-store'});
        const page = new DOMParser().parseFromString(await answer.text(), 'text/html'), fresh = page.getElementById('chart');
        if (answer.ok && fresh) {
          const minute = from + (Number(range.value) + 0.5) / says.length * (to - from);
          chart.replaceWith(fresh);
          document.getElementById('parts').replaceWith(page.getElementById('parts'));
          history.replaceState(null, '', url);
          dress((minute - a) / (b - a));
          return;
        }
      } catch (e) { /* the picture that is there stays */ }
      svg.style.transform = '';
    };

    const fingers = new Map();
    let start = null; // shares of the axis under the fingers, when the gesture began
    const shares = () => [...fingers.values()].map(share).sort((p, q) => p - q);
    const picture = chart.querySelector('.picture');
    picture.addEventListener('pointerdown', (e) => {
      fingers.set(e.pointerId, e.clientX);
      picture.setPointerCapture(e.pointerId);
      if (svg.style.transform) return;
      start = {x: e.clientX, at: shares(), moved: false};
    });
    picture.addEventListener('pointermove', (e) => {
      if (!fingers.has(e.pointerId)) { if (e.pointerType === 'mouse') point(share(e.clientX) * says.length - 0.5); return; }
      fingers.set(e.pointerId, e.clientX);
      if (!start) return;
      if (fingers.size === 1 && start.at.length === 1) {
        if (Math.abs(e.clientX - start.x) > 8) start.moved = true;
        if (to - from < span && start.moved) svg.style.transform = 'translateX(' + (e.clientX - start.x) + 'px)';
        else point(share(e.clientX) * says.length - 0.5);
      } else if (fingers.size === 2 && start.at.length === 2) {
        start.moved = true;
        start.scale = Math.abs([...fingers.values()].reduce((p, q) => p - q)) / Math.max(1, start.apart);
        start.middle = [...fingers.values()].reduce((p, q) => p + q) / 2;
        svg.style.transformOrigin = start.origin + 'px 0';
        svg.style.transform = 'translateX(' + (start.middle - start.was) + 'px) scaleX(' + start.scale + ')';
      }
    });
    picture.addEventListener('pointerdown', () => {
      if (fingers.size !== 2 || !start || svg.style.transform) return;
      const xs = [...fingers.values()], r = svg.getBoundingClientRect();
      start = {at: shares(), moved: false, apart: Math.abs(xs[0] - xs[1]), was: (xs[0] + xs[1]) / 2, middle: (xs[0] + xs[1]) / 2, origin: (xs[0] + xs[1]) / 2 - r.left, scale: 1};
    });
    const up = (e) => {
      const x = fingers.get(e.pointerId), was = start;
      if (!fingers.delete(e.pointerId) || !was) return;
      start = null;
      const unit = svg.getBoundingClientRect().width / (was.scale || 1) / box.width * wide, minutes = to - from; // pixels of the whole axis
      if (was.at.length === 2 && was.moved) {
        const middle = (was.at[0] + was.at[1]) / 2, b = minutes / was.scale, shift = (was.middle - was.was) / unit * b;
        const a = from + middle * minutes - middle * b - shift;
        show(a, a + b);
      } else if (was.moved && minutes < span) {
        const by = (x - was.x) / unit * minutes;
        show(from - by, to - by);
      } else point(share(x) * says.length - 0.5);
    };
    picture.addEventListener('pointerup', up);
    picture.addEventListener('pointercancel', up);
    point((keep >= 0 && keep < 1 ? keep : 0.5) * says.length);
  };

  document.addEventListener('redrawn', () => dress());
  dress();
})();
