// A list of any length of which only the rows in sight exist.

import { Virtualizer, elementScroll, observeElementOffset, observeElementRect } from "@tanstack/virtual-core";
import type { ComponentChildren } from "preact";
import { useLayoutEffect, useRef, useState } from "preact/hooks";

interface Props {
  count: number;
  /** px; the same for all. */
  rowHeight: number;
  label: string;
  row: (index: number) => ComponentChildren;
  /** A change of this begins again at the top. */
  from: string;
}

const OVERSCAN = 12;

export function VirtualRows({ count, rowHeight, label, row, from }: Props) {
  const ref = useRef<HTMLDivElement>(null);
  const [, draw] = useState(0);
  const held = useRef<Virtualizer<HTMLDivElement, Element> | null>(null);
  const options = {
    count,
    getScrollElement: () => ref.current,
    estimateSize: () => rowHeight,
    overscan: OVERSCAN,
    scrollToFn: elementScroll,
    observeElementRect,
    observeElementOffset,
    onChange: () => draw((n) => n + 1),
  };
  held.current ??= new Virtualizer<HTMLDivElement, Element>(options);
  const virtual = held.current;
  virtual.setOptions(options);
  useLayoutEffect(() => virtual._didMount(), []);
  useLayoutEffect(() => {
    virtual._willUpdate();
  });
  useLayoutEffect(() => {
    virtual.measure();
  }, [rowHeight]);
  useLayoutEffect(() => {
    ref.current?.scrollTo(0, 0);
  }, [from]);
  const height = virtual.getTotalSize();
  return (
    <div ref={ref} class="vrows" role="rowgroup" tabIndex={0} aria-label={label} style={{ maxHeight: `${Math.max(rowHeight, height) + 2}px` }}>
      <div class="vspace" style={{ height: `${height}px` }} role="presentation">
        {virtual.getVirtualItems().map((item) => (
          <div key={item.key} class="vrow" role="row" aria-rowindex={item.index + 2} style={{ transform: `translateY(${item.start}px)`, height: `${rowHeight}px` }}>
            {row(item.index)}
          </div>
        ))}
      </div>
    </div>
  );
}
