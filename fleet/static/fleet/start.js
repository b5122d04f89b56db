/* Proposes the time zone of the browser; the choice stays with the person. */
const zone = document.getElementById("id_time_zone");
const here = Intl.DateTimeFormat().resolvedOptions().timeZone;
if (zone && !document.querySelector(".wrong") && [...zone.options].some((one) => one.value === here)) zone.value = here;
