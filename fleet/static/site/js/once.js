// A second tap on a button that already sends its form is swallowed. The server keeps the promise by the
// form's own token; this only spares the person an answer twice. Small conveniences of the header live here too.
(function () {
  "use strict";
  const sending = new WeakSet();

  document.addEventListener("submit", function (event) {
    const form = event.target;
    if (form.method.toLowerCase() !== "post" || event.defaultPrevented) return;
    if (sending.has(form)) {
      event.preventDefault();
      event.stopImmediatePropagation();
      return;
    }
    sending.add(form);
    form.querySelectorAll("button").forEach((button) => button.setAttribute("aria-disabled", "true"));
  }, true);

  function release(form) {
    sending.delete(form);
    form.querySelectorAll("button").forEach((button) => button.removeAttribute("aria-disabled"));
  }
  document.addEventListener("htmx:afterRequest", function (event) {
    const form = event.target.closest && event.target.closest("form");
    if (form) release(form);
  });
  window.addEventListener("pageshow", function (event) {
    if (event.persisted) document.querySelectorAll("form").forEach(release);
  });

  // A disclosure of the header closes on Escape and when something else is pressed.
  document.addEventListener("keydown", function (event) {
    if (event.key !== "Escape") return;
    document.querySelectorAll("details.choices[open]").forEach(function (details) {
      details.open = false;
      details.querySelector("summary").focus();
    });
  });
  document.addEventListener("click", function (event) {
    document.querySelectorAll("details.choices[open]").forEach(function (details) {
      if (!details.contains(event.target)) details.open = false;
    });
  });

  // A select marked so sends its form when it changes; its button stays for those without scripts.
  document.addEventListener("change", function (event) {
    if (event.target.matches("[data-sends-form]")) event.target.form.requestSubmit();
  });
})();
