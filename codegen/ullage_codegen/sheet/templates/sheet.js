/* The page: what is pasted is decoded by the module above, the ruler of its frame lights up, and the values go into the
 * table. */
(function () {
  const form = document.getElementById("reader");
  const box = document.getElementById("hex");
  const answerPlace = document.getElementById("answer");
  const sections = new Map(Array.from(document.querySelectorAll("section.frame"), (one) => [one.dataset.frame, one]));
  let waiting = 0;
  let last = "";

  /* ---- small things ---- */

  function part(kind, text) {
    const made = document.createElement(kind === "" ? "span" : kind);
    made.textContent = text;
    return made;
  }

  function bitsOf(octets) {
    return Array.from(octets, (octet) => octet.toString(2).padStart(8, "0")).join("");
  }

  function hexOf(octets) {
    return Array.from(octets, (octet) => octet.toString(16).padStart(2, "0"));
  }

  function counted(count) {
    return count === 1 ? "1 octet" : `${count} octets`;
  }

  /* ---- rulers ---- */

  /* strip: its element. start: the frame's bit where it begins. Bits that are not there stay dots. */
  function fillStrip(strip, start, bits) {
    for (const text of strip.querySelectorAll(".digits")) {
      const from = start + Number(text.dataset.bit);
      const count = text.getAttribute("x").split(" ").length;
      text.textContent = bits.slice(from, from + count).padEnd(count, "·");
    }
    for (const text of strip.querySelectorAll(".hex")) {
      const from = start + Number(text.dataset.bit);
      const octet = bits.slice(from, from + 8);
      text.textContent = octet.length === 8 ? parseInt(octet, 2).toString(16).padStart(2, "0") : "";
    }
  }

  function children(place, kind) {
    return Array.from(place.children).filter((one) => one.classList.contains(kind));
  }

  /* place: an element that holds strips and blocks. cells: what the decoder found there. */
  function fillScope(place, cells, bits, check) {
    for (const strip of children(place, "strip")) {
      const cell = cells.find((one) => one.slot !== undefined && one.slot.id === strip.dataset.first);
      fillStrip(strip, cell === undefined ? check : cell.offset, bits);
    }
    for (const block of children(place, "block")) {
      const cell = cells.find((one) => (one.list || one.group || {}).name === (block.dataset.list || block.dataset.group));
      const inside = block.querySelector(".inside");
      if (cell.list !== undefined) {
        fillItems(block, inside, cell.items, bits);
      } else {
        block.classList.toggle("absent", cell.inside === null);
        if (cell.inside !== null) {
          fillScope(inside, cell.inside.cells, bits, 0);
        }
      }
    }
  }

  function fillItems(block, inside, items, bits) {
    block.classList.toggle("absent", items.length === 0);
    const empty = inside.cloneNode(true);
    items.forEach((item, number) => {
      const shown = number === 0 ? inside : block.appendChild(empty.cloneNode(true));
      shown.prepend(part("p", `item ${number}, from bit ${item.start}`));
      shown.firstChild.className = "caption made";
      fillScope(shown, item.cells, bits, 0);
    });
  }

  /* Marks off, and the rulers as they were written where lists have added to them. */
  function clear(section) {
    if (section.querySelector(".block") !== null) {
      section.querySelector(".rulers").replaceChildren(...pristine.get(section).cloneNode(true).childNodes);
      watch(section);
    }
    section.classList.remove("lit", "read", "example");
    for (const one of section.querySelectorAll(".bad, .at")) {
      one.classList.remove("bad", "at");
    }
  }

  /* ---- tables ---- */

  function readings(cells, found) {
    for (const cell of cells) {
      if (cell.slot !== undefined) {
        found.set(cell.slot.id, [...(found.get(cell.slot.id) || []), cell]);
      } else if (cell.list !== undefined) {
        cell.items.forEach((item) => readings(item.cells, found));
      } else if (cell.inside !== null) {
        readings(cell.inside.cells, found);
      }
    }
    return found;
  }

  /* Puts lines into the value cells; lines: slot id -> [reading, code] pairs. */
  function fillTable(section, whose, lines) {
    section.querySelector(".whose").textContent = whose;
    for (const row of section.querySelectorAll("tr[data-slot]")) {
      const found = lines.get(row.dataset.slot) || [];
      const cell = row.querySelector("td.value");
      cell.replaceChildren();
      for (const [reading, code] of found) {
        const line = cell.appendChild(part("span", reading));
        if (code !== "") {
          line.append(" ");
          line.appendChild(part("span", code)).className = "code";
        }
      }
    }
  }

  function linesOf(section, answer, octets) {
    const lines = new Map();
    for (const [id, cells] of readings(answer.cells, new Map())) {
      lines.set(id, cells.map((cell) => [cell.reading, codeOf(cell)]));
    }
    if (PROTOCOL.integrity !== null && !bare(section, octets)) {
      const count = PROTOCOL.integrity.octets;
      lines.set(`f${section.dataset.number}check`, [[hexOf(octets.slice(octets.length - count)).join(" "), "fits"]]);
    }
    return lines;
  }

  function codeOf(cell) {
    const plain = ["text", "octets", "fixed", "length"].includes(cell.slot.as) || cell.raw === cell.reading;
    return plain ? "" : `code ${cell.raw}`;
  }

  /* ---- showing one frame ---- */

  /* Whether octets are the example of a sealed frame, which has neither tag nor check. */
  function bare(section, octets) {
    return section.dataset.sealed !== undefined && 2 * octets.length === section.dataset.example.length;
  }

  function show(section, octets, answer, kind) {
    clear(section);
    const check = PROTOCOL.integrity === null || bare(section, octets) ? 0 : PROTOCOL.integrity.octets;
    const body = octets.length - check;
    fillScope(section.querySelector(".rulers"), answer.cells, bitsOf(octets), 8 * body);
    fillTable(section, kind === "example" ? "example" : "received", linesOf(section, answer, octets));
    section.classList.add("lit", kind === "example" ? "example" : "read");
    const example = `Digits: the worked example${bare(section, octets) ? ", before it is sealed" : ""}.`;
    section.querySelector(".shown").textContent = kind === "example" ? example : "Digits: the frame that was pasted.";
  }

  function showExample(section) {
    const octets = octetsOf(section.dataset.example);
    const sealed = FRAMES.find((one) => one.name === section.dataset.frame && one.sealed);
    const answer = sealed === undefined ? decode(octets) : message(sealed, bitsOf(octets));
    show(section, octets, answer, "example");
  }

  /* The frame that refused octets were meant to be, where that is plain: named, or of the code and length. */
  function meant(octets, answer) {
    if (answer.frame !== null) {
      return sections.get(answer.frame);
    }
    const slot = PROTOCOL.messageSlot;
    const code = slot === null ? "" : bitsOf(octets).slice(slot.offset, slot.offset + slot.bits);
    const fits = (one) => one.fixed && one.most === octets.length;
    const frame = FRAMES.find((one) => fits(one) && (slot === null || one.message === parseInt(code, 2)));
    return answer.reason === "integrity" && frame !== undefined ? sections.get(frame.name) : undefined;
  }

  /* Bits are shown where they stand in every frame of this length; values are not: nothing of it is believed. */
  function showRefused(section, octets, answer) {
    const frame = FRAMES.find((one) => one.name === section.dataset.frame);
    clear(section);
    if (frame.fixed && frame.most === octets.length) {
      fillStrip(section.querySelector(".strip"), 0, bitsOf(octets));
    }
    section.classList.add("read");
    section.querySelector(".shown").textContent = "Digits: the frame that was refused.";
    const lines = new Map();
    const row = answer.bit === null ? null : badRow(section, answer);
    if (row !== null) {
      lines.set(row.dataset.slot, [[`refused: ${answer.reason}`, `code ${answer.raw}`]]);
      row.classList.add("bad");
      for (const cell of section.querySelectorAll(`.cell[data-slot="${row.dataset.slot}"]`)) {
        cell.classList.add("bad");
      }
    }
    fillTable(section, "received", lines);
  }

  function badRow(section, answer) {
    if (answer.reason === "integrity") {
      return section.querySelector(`tr[data-slot="f${section.dataset.number}check"]`);
    }
    const rows = Array.from(section.querySelectorAll("tr[data-slot]"));
    const named = (row) => row.querySelector(".name").textContent === (answer.field || "fill");
    return rows.find((row) => row.dataset.slot === answer.slot) || rows.find(named) || null;
  }

  /* ---- the answer in words ---- */

  function tellFine(octets, answer) {
    const link = part("a", answer.frame);
    link.href = `#frame-${answer.frame}`;
    const words = [];
    for (const cells of readings(answer.cells, new Map()).values()) {
      if (!["fixed", "length"].includes(cells[0].slot.as)) {
        words.push(`${cells[0].slot.name} ${cells.map((cell) => cell.reading).join(", ")}`);
      }
    }
    answerPlace.replaceChildren(part("b", "fine: "), link, `, ${counted(octets.length)}. `, part("", words.join(" · ")));
  }

  function tellRefused(answer) {
    const found = part("b", `refused: ${answer.reason} (${answer.status}). `);
    found.className = "refused";
    const place = answer.bit === null ? "" : ` ${placeOf(answer)}.`;
    const named = answer.field !== null || (answer.frame !== null && answer.text.startsWith(answer.frame));
    const text = named ? `${answer.text}.` : sentence(answer.text); /* a name keeps its letters */
    answerPlace.replaceChildren(found, `${text}${place} `, part("", adviceOn(answer.reason)));
  }

  /* What the list of refusals on this page says to do. */
  function adviceOn(reason) {
    const names = Array.from(document.querySelectorAll("#answers dt"));
    const found = names.find((one) => one.querySelector("code").textContent === reason);
    return found === undefined ? "" : found.nextElementSibling.querySelector("span").textContent;
  }

  function placeOf(answer) {
    const end = answer.bit + answer.bits - 1;
    const bits = answer.bits === 1 ? `Bit ${answer.bit}` : `Bits ${answer.bit}..${end}`;
    const [first, past] = [Math.floor(answer.bit / 8), Math.floor(end / 8)];
    return `${bits}, octet${first === past ? ` ${first}` : `s ${first}..${past}`}`;
  }

  function sentence(text) {
    return `${text.charAt(0).toUpperCase()}${text.slice(1)}.`;
  }

  /* ---- the box ---- */

  function readBox() {
    const text = box.value.trim();
    if (text === last) {
      return;
    }
    last = text;
    sections.forEach((section) => section.classList.contains("example") || showExample(section));
    if (text === "") {
      answerPlace.replaceChildren();
      return;
    }
    let octets;
    try {
      octets = octetsOf(text);
    } catch (fault) {
      answerPlace.replaceChildren(part("b", "not read: "), `${fault.message}.`);
      return;
    }
    const answer = decode(octets);
    const section = answer.status === 0 ? sections.get(answer.frame) : meant(octets, answer);
    if (answer.status === 0) {
      tellFine(octets, answer);
      show(section, octets, answer, "read");
    } else {
      tellRefused(answer);
      if (section !== undefined) {
        showRefused(section, octets, answer);
      }
    }
    bringUp(section);
    box.dispatchEvent(new CustomEvent("ullage:read", { detail: answer, bubbles: true }));
  }

  /* Scrolls to a frame whose ruler is not to be seen; what stays above it is measured, not guessed. */
  function bringUp(section) {
    if (section === undefined) {
      return;
    }
    document.documentElement.style.scrollPaddingTop = `${form.offsetHeight + 16}px`;
    const ruler = section.querySelector("figure").getBoundingClientRect();
    if (ruler.top < form.getBoundingClientRect().bottom || ruler.top > innerHeight / 2) {
      section.scrollIntoView();
    }
  }

  function soon() {
    clearTimeout(waiting);
    box.style.height = "auto";
    box.style.height = `${Math.min(box.scrollHeight + 2, 140)}px`;
    waiting = setTimeout(readBox, 200);
  }

  /* Pointing at a row or a cell marks its other half. */
  function watch(section) {
    for (const one of section.querySelectorAll(".rulers .cell, tr[data-slot]")) {
      const mark = (on) => () => {
        for (const other of section.querySelectorAll(`[data-slot="${one.dataset.slot}"]`)) {
          other.classList.toggle("at", on);
        }
      };
      one.onpointerenter = mark(true);
      one.onpointerleave = mark(false);
    }
  }

  const pristine = new Map(
    Array.from(sections.values(), (section) => [section, section.querySelector(".rulers").cloneNode(true)]),
  );
  sections.forEach((section) => {
    watch(section);
    showExample(section);
    const button = section.querySelector(".try");
    if (button !== null) {
      button.hidden = false;
      button.onclick = () => {
        box.value = section.querySelector(".worked code").textContent;
        soon();
        readBox();
        box.focus({ preventScroll: true });
      };
    }
  });
  form.hidden = false;
  form.onsubmit = (event) => event.preventDefault();
  box.addEventListener("input", soon);
  box.addEventListener("keydown", (event) => {
    if (event.key === "Enter" && !event.shiftKey) {
      event.preventDefault();
      readBox();
    }
  });
  if (box.value !== "") {
    readBox();
  }
})();
