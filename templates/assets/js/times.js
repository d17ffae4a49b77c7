// Times in the zone of the person who reads and types them. Without script everything is in UTC, and says so.

const two = (number) => String(number).padStart(2, "0");
const day = new Intl.DateTimeFormat("en-GB", { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });

// How far local time was ahead of UTC at that moment, with summer time as it held then: "+02:00".
export function zoneOf(moment) {
  const ahead = -moment.getTimezoneOffset();
  const size = Math.abs(ahead);
  return `${ahead < 0 ? "-" : "+"}${two(Math.floor(size / 60))}:${two(size % 60)}`;
}

function shown(moment) {
  return day.format(moment).replace(",", "");
}

for (const words of document.querySelectorAll("[data-zone]")) words.textContent = "by your clock";

for (const time of document.querySelectorAll("time[data-local]")) {
  time.title = `${time.textContent.trim()} UTC`;
  time.textContent = shown(new Date(time.dateTime));
}

for (const words of document.querySelectorAll("[data-moments]")) {
  words.textContent = words.textContent.replace(
    /(\d{4}-\d\d-\d\d) (\d\d:\d\d) UTC/g, (_, date, clock) => shown(new Date(`${date}T${clock}Z`)),
  );
}

for (const input of document.querySelectorAll('input[type="datetime-local"]')) {
  const zone = document.createElement("input");
  zone.type = "hidden";
  zone.name = `${input.name}_zone`;
  input.after(zone);
  input.form.addEventListener("submit", () => {
    zone.value = input.value ? zoneOf(new Date(input.value)) : "";
  });
}
