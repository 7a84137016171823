// True once an element came near the window, or when the sheet is printed.

import { type RefObject } from "preact";
import { useEffect, useState } from "preact/hooks";

export function useNear(ref: RefObject<HTMLElement | null>, margin = 600): boolean {
  const [near, setNear] = useState(false);
  useEffect(() => {
    const el = ref.current;
    if (!el) return undefined;
    const done = () => {
      setNear(true);
      watch.disconnect();
      removeEventListener("beforeprint", done);
    };
    const watch = new IntersectionObserver((seen) => seen.some((s) => s.isIntersecting) && done(), { rootMargin: `${margin}px` });
    watch.observe(el);
    addEventListener("beforeprint", done);
    return () => {
      watch.disconnect();
      removeEventListener("beforeprint", done);
    };
  }, []);
  return near;
}
