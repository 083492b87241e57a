// What is wider than the page can be scrolled with the keys as well.
for (const block of document.querySelectorAll(".highlight pre")) block.tabIndex = 0;
