// Shows the runs of a folder as they are sent, each with a way to its own page. Text goes in as text.
"use strict";
(() => {
  const by = (id) => document.getElementById(id);
  let heardMs = 0;
  const card = (run) => {
    const item = document.createElement("li");
    item.dataset.power = run.power;
    const line = (text, kind) => {
      const node = document.createElement("p");
      node.textContent = text;
      if (kind) node.className = kind;
      item.append(node);
    };
    line(run.word, `word ${run.mark}`);
    const link = document.createElement("a");
    link.href = `runs/${encodeURIComponent(run.name)}/`;
    link.textContent = run.serial || run.name;
    item.append(link);
    line(run.title);
    line(run.told);
    return item;
  };
  const source = new EventSource("events");
  source.onmessage = (message) => {
    const runs = JSON.parse(message.data);
    heardMs = Date.now();
    by("alarm").hidden = true;
    const going = runs.filter((run) => !run.over), over = runs.filter((run) => run.over);
    by("going").replaceChildren(...going.map(card));
    by("over").replaceChildren(...over.map(card));
    by("no-going").hidden = going.length > 0;
    by("no-over").hidden = over.length > 0;
    by("told").textContent = `${going.length} going on, ${over.length} finished`;
  };
  source.onerror = () => {
    const since = heardMs ? ` since ${new Date(heardMs).toTimeString().slice(0, 8)}` : "";
    by("alarm").textContent = `Nothing has come${since}. What stands below is old: look at the benches.`;
    by("alarm").hidden = false;
  };
})();
