export function Loop({ tag }: { tag: string }) { return <h1>{tag}</h1>; }
