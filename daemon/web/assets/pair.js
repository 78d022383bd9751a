'use strict';
// The code of a link stands behind its #, which no browser sends and no log holds. Posted,
// it is taken out of the address, so that the phone's history does not keep it.
(() => {
  const token = location.hash.slice(1);
  if (!token) return;
  history.replaceState(null, '', location.pathname);
  document.getElementById('code').value = token;
  document.getElementById('pair').submit();
})();
