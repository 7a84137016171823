// Figures are drawn at the width they have, so that no text in them shrinks.

import type { RefObject } from "preact";
import { useLayoutEffect, useRef, useState } from "preact/hooks";

export function useWidth<T extends HTMLElement = HTMLDivElement>(): readonly [RefObject<T | null>, number] {
  const ref = useRef<T>(null);
  const [width, setWidth] = useState(0);
  useLayoutEffect(() => {
    const el = ref.current;
    if (!el) return undefined;
    const measure = () => setWidth(Math.floor(el.getBoundingClientRect().width));
    measure();
    const watch = new ResizeObserver(measure);
    watch.observe(el);
    return () => watch.disconnect();
  }, []);
  return [ref, width];
}
