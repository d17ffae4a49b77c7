// While a purchase is typed: what one item, and one unit of its content, comes to. The server reckons it again.

const form = document.querySelector("[data-prices]");

function amount(name) {
  const text = form.elements[name]?.value.trim() ?? "";
  const number = Number(text);
  return text !== "" && Number.isFinite(number) ? number : null;
}

function written(number) {
  const places = number >= 1 || number === 0 ? 2 : Math.min(8, 2 - Math.floor(Math.log10(number)));
  return number.toFixed(places);
}

function tell() {
  const out = form.querySelector("[data-priced]");
  if (form.elements.obtained.value !== "bought") {
    out.textContent = "Not bought: no price to compare. Readers see this wherever the product is named.";
    return;
  }
  const price = amount("price");
  const items = (amount("packs") ?? 1) * (amount("items_per_pack") ?? 1);
  if (price === null || !(items > 0)) {
    out.textContent = "";
    return;
  }
  const each = (price + (amount("shipping") ?? 0)) / items;
  const currency = form.elements.currency.value.trim().toUpperCase();
  const content = amount("content");
  const per = content > 0 ? `; ${written(each / content)} ${currency} per ${form.elements.content_unit.value.trim() || "unit of its content"}` : "";
  out.textContent = `One item: ${written(each)} ${currency}${per}`;
}

if (form) {
  form.addEventListener("input", tell);
  tell();
}
