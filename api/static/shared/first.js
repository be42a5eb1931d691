// Runs before the first paint, so that a dark screen never flashes white. Everything else is a module.
(() => {
  try {
    const { light } = JSON.parse(localStorage.getItem("lobewright.screen") ?? "{}");
    if (light === "light" || light === "dark") document.documentElement.dataset.light = light;
  } catch {
    // Damaged or forbidden storage: the device's own choice of light stands.
  }
})();
