'use strict';
(() => {
  // The phone's own time, to the millisecond and in UTC, goes before what could be typed.
  const clocks = () => {
    for (const field of document.querySelectorAll('form[data-clock] .typed')) field.hidden = true;
  };
  document.addEventListener('submit', (event) => {
    const form = event.target;
    if (form.matches('form[data-clock]')) form.elements.wall.value = new Date().toISOString();
  });
  const live = document.getElementById('live');
  if (live) new MutationObserver(clocks).observe(live.parentNode, {childList: true});
  clocks();
})();
