// Addresses are the pages' state: path for the sheet, query for filters and ranges.

import { signal } from "@preact/signals";

export const path = signal(location.pathname);
export const query = signal(new URLSearchParams(location.search));

function read(): void {
  path.value = location.pathname;
  query.value = new URLSearchParams(location.search);
}

export function go(address: string): void {
  history.pushState(null, "", address);
  read();
  window.scrollTo(0, 0);
  document.querySelector<HTMLElement>("h1")?.focus({ preventScroll: true });
  if (location.hash !== "") requestAnimationFrame(() => document.getElementById(location.hash.slice(1))?.scrollIntoView());
}

/** Sets or removes one parameter of the address, in place. */
export const setParam = (name: string, value: string): void => setParams({ [name]: value });

/** Sets or removes (empty) parameters of the address, in place. */
export function setParams(values: Record<string, string>): void {
  const next = new URLSearchParams(location.search);
  for (const [name, value] of Object.entries(values)) {
    if (value === "") next.delete(name);
    else next.set(name, value);
  }
  const text = next.toString();
  history.replaceState(null, "", location.pathname + (text === "" ? "" : `?${text}`));
  read();
}

/** Takes clicks on our own links; everything else stays the browser's. */
export function begin(): void {
  addEventListener("popstate", read);
  document.addEventListener("click", (e) => {
    if (e.defaultPrevented || e.button !== 0 || e.metaKey || e.ctrlKey || e.shiftKey || e.altKey) return;
    const link = e.target instanceof Element ? e.target.closest("a") : null;
    if (!link || link.target !== "" || link.origin !== location.origin || link.pathname.startsWith("/api/") || link.pathname === "/sign-in") return;
    if (link.hasAttribute("download") || (link.hash !== "" && link.pathname === location.pathname)) return;
    e.preventDefault();
    go(link.pathname + link.search + link.hash);
  });
}

function below(pathname: string, folder: string): string | null {
  if (!pathname.startsWith(folder) || pathname === folder) return null;
  try {
    return decodeURIComponent(pathname.slice(folder.length));
  } catch {
    return null;
  }
}

export const tagOf = (pathname: string): string | null => below(pathname, "/loop/");
export const caseOf = (pathname: string): string | null => below(pathname, "/cases/");
